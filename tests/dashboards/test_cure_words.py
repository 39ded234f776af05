"""What people type about cures, with cold thumbs."""

from datetime import UTC, datetime

import pytest

from collector.errors import InputError
from collector.journal_book import EMPTY, Batch, Book, Entry, Mark, fold
from dashboards.cure_words import Given, corrected, cure_and_rest, filled, mark_of

NOW = datetime(2026, 4, 2, 22, 0, tzinfo=UTC)
BAYS = ("keel", "sheer")


def book(*batches: Batch, ended: str = "") -> Book:
    """Return a book of batches k1, s2 … in the order given."""
    entries = [
        Entry(
            i,
            NOW,
            NOW,
            {name: getattr(batch, name) for name in Batch.__slots__}
            | {"kind": "start", "cure": f"{batch.bay[0]}{i}"},
        )
        for i, batch in enumerate(batches, 1)
    ]
    if ended:
        entries.append(Entry(len(entries) + 1, NOW, NOW, {"kind": "end", "cure": ended}))
    return fold(entries)


KEEL = Batch("keel", "hull", "vinyl", 1.75, lot="A7", mass_g=800.0, layup="2x450", resin_c=18.0)
SHEER = Batch("sheer", "stem", "epoxy", 30.0)


@pytest.mark.parametrize(
    ("word", "mark"),
    [
        ("g", Mark.GEL), ("GEL", Mark.GEL), ("t", Mark.TACK_FREE), ("tack", Mark.TACK_FREE),
        ("n", Mark.NEXT_PLY), ("ply", Mark.NEXT_PLY), ("next ply", Mark.NEXT_PLY), ("gr", Mark.GROUND),
        ("sandable", Mark.GROUND), ("r", Mark.RELEASED), ("h", Mark.HARD), ("w", Mark.DEW), ("dew", Mark.DEW),
    ],
)  # fmt: skip
def test_first_letters_of_a_mark_will_do(word: str, mark: Mark) -> None:
    assert mark_of(word) is mark


def test_every_mark_can_be_typed_in_full() -> None:
    for mark in Mark:
        assert mark_of(mark.value) is mark


@pytest.mark.parametrize("word", ["", "x", "jelly"])
def test_a_word_that_is_no_mark_is_answered_with_all_of_them(word: str) -> None:
    with pytest.raises(InputError, match=r"no mark: gel, tack-free, next ply, ground, released, hard, wet"):
        mark_of(word)


def test_the_only_live_cure_needs_no_name() -> None:
    both = book(KEEL, SHEER, ended="s2")
    assert cure_and_rest(both, ["g"])[0].key == "k1"
    assert cure_and_rest(both, ["K1", "g"]) == cure_and_rest(both, ["g", "k1"])
    # one that is over can still be named
    assert cure_and_rest(both, ["s2"])[0].batch == SHEER


def test_which_cure_is_asked_when_several_are_live() -> None:
    with pytest.raises(InputError, match=r"which cure\? live are k1 \(hull, keel\), s2 \(stem, sheer\)"):
        cure_and_rest(book(KEEL, SHEER), ["gel"])
    with pytest.raises(InputError, match="no cure is live"):
        cure_and_rest(EMPTY, [])


def test_what_is_left_out_is_taken_over_from_the_bays_last_batch_and_said() -> None:
    """Mass, layup and the resin's temperature are each batch's own and never taken over."""
    done = filled(Given(bay="keel"), book(KEEL, SHEER), BAYS)
    assert done.batch == Batch("keel", "hull", "vinyl", 1.75, lot="A7")
    assert done.remark == "taken over from k1: hull, vinyl, 1.75 %, lot A7"


def test_what_is_typed_goes_before_what_was() -> None:
    given = Given("k", "transom", "vinyl", 1.5, "B1", 500.0, "1x300", 20.0)
    done = filled(given, book(KEEL), BAYS)
    assert done.batch == Batch("keel", "transom", "vinyl", 1.5, "B1", 500.0, "1x300", 20.0)
    assert done.remark == ""


def test_another_card_takes_over_neither_percentage_nor_lot() -> None:
    with pytest.raises(InputError, match=r"--percent: which percentage\?"):
        filled(Given(bay="keel", card="polyester"), book(KEEL), BAYS)
    done = filled(Given(bay="keel", card="polyester", catalyst_pct=1.0), book(KEEL), BAYS)
    assert done.batch.lot == ""


def test_another_bay_takes_over_the_resin_but_not_the_part() -> None:
    with pytest.raises(InputError, match=r"PART: which part\?"):
        filled(Given(bay="sheer"), book(KEEL), BAYS)
    assert filled(Given(bay="sheer", part="stem"), book(KEEL), BAYS).batch.card == "vinyl"


def test_bays_are_known_by_their_first_letters_and_by_nothing_else() -> None:
    assert filled(Given(bay="sh", part="stem"), book(KEEL), BAYS).batch.bay == "sheer"
    with pytest.raises(InputError, match="no bay is called 'shear'; there are keel, sheer"):
        filled(Given(bay="shear"), book(KEEL), BAYS)
    with pytest.raises(InputError, match=r"which bay\? there are keel, sheer"):
        filled(Given(), book(KEEL), BAYS)
    assert filled(Given(), book(KEEL), ("keel",)).batch.bay == "keel"
    # without any sensor the person knows best
    assert filled(Given("loft", "hull", "vinyl", 1.0), EMPTY, ()).batch.bay == "loft"


def test_the_first_batch_must_name_its_card() -> None:
    with pytest.raises(InputError, match="--card: which resin"):
        filled(Given("keel", "hull"), EMPTY, BAYS)


def test_a_cards_file_is_kept_with_its_folder() -> None:
    """So that tonight finds it from wherever it is typed."""
    done = filled(Given("keel", "hull", "mine.toml", 1.0), EMPTY, BAYS)
    assert done.batch.card.endswith("/mine.toml")
    assert done.batch.card.startswith("/")


def test_a_correction_changes_only_what_is_typed() -> None:
    fixed = corrected(KEEL, Given(catalyst_pct=1.5, lot="B2"))
    assert fixed == Batch("keel", "hull", "vinyl", 1.5, "B2", 800.0, "2x450", 18.0)
