"""How old something is, in words; stands alone so that the phone page's small process need load no more."""


def age_words(age_s: float) -> str:
    """Return an age as people say it.

    >>> age_words(42), age_words(150), age_words(7500), age_words(2e5)
    ('42 s', '2 min', '2 h 5 min', '2 days')
    """
    if age_s < 0:
        return "0 s"
    minutes, hours, days = int(age_s // 60), int(age_s // 3600), int(age_s // 86400)
    if age_s < 100:  # noqa: PLR2004  two digits of seconds read faster than "1 min"
        return f"{age_s:.0f} s"
    if hours < 1:
        return f"{minutes} min"
    if days < 2:  # noqa: PLR2004  "36 h" says more than "1 day"
        return f"{hours} h {minutes % 60} min" if minutes % 60 else f"{hours} h"
    return f"{days} days"
