"""All that is promised, by name: `python -m tests.schemas` writes it where `layday schema` reads it."""

from dashboards.answers.hindcast import hindcast_answer
from dashboards.answers.keeping import keeping_answers
from dashboards.answers.mixing import mixing_answers
from dashboards.answers.shape import Shape
from dashboards.answers.shed import shed_answers


def published() -> dict[str, Shape]:
    """Return every schema by its name, as in ``now``."""
    return {**shed_answers(), **mixing_answers(), **keeping_answers(), "hindcast": hindcast_answer()}
