"""Notes of all parts in one list: nothing twice, nothing lost."""

from __future__ import annotations

from conftest import LANTERN_HOUSE

import optistack as ost
from optistack.exposure import OUTSIDE_TABLE
from optistack.scenario.notes import said_once


def test_the_same_of_several_subjects_is_one_note_with_all_of_them() -> None:
    of = ["a", "b", "c", "d", "e", "f"]
    assert said_once(f"filter {x}: index taken as 1.5" for x in of) == (
        "filter a; filter b; filter c; filter d; filter e; filter f: index taken as 1.5",
    )
    more = said_once(f"filter {x}: index taken as 1.5" for x in [*of, "g"])
    assert more == ("filter a and 6 more: index taken as 1.5",)


def test_another_subject_is_not_a_repetition() -> None:
    notes = ("filter a: index taken as 1.5", "ledger: filter b: index taken as 1.5")
    assert said_once(notes) == notes
    notes = ("electrode: measured: only the sheet resistance changes", "rates: fitted by weight")
    assert said_once(notes) == notes


def test_what_is_said_of_the_whole_is_not_said_of_its_parts() -> None:
    whole = "light lamp: dark outside 280-400 nm; a real lamp may shine"
    assert said_once([whole, f"plan: coupon: {whole}", f"ledger: {whole}"]) == (whole,)
    assert said_once([f"plan: coupon: {whole}", whole]) == (whole,)
    of_part = "rates: specimens differ beyond their noise"
    assert said_once([of_part, "rates: course: specimens differ beyond their noise"]) == (of_part,)


def test_two_parts_that_say_the_same_are_both_named() -> None:
    text = "weight measured: in 295-311 nm an upper limit only"
    assert said_once([f"rates: {text}", f"draws: {text}"]) == (f"rates; draws: {text}",)


def test_the_largest_share_outside_a_table_stays() -> None:
    def note(where: str, share: str) -> str:
        about = "material oxide: n and k held at their end values below 330 nm"
        return f"{where}{about}; {share} of what film absorbs in 280-400 nm {OUTSIDE_TABLE}"

    notes = [note("coupon: ", "0.2 %"), note("", "1.4 %"), note("device: ", "less than 0.01 %")]
    assert said_once(notes) == (notes[1],)
    other = note("", "3 %").replace("oxide", "glass")
    assert said_once([*notes, other]) == (notes[1], other)


def test_order_stays_and_short_texts_are_left_alone() -> None:
    assert said_once(["b: yes", "a: yes", "b: yes"]) == ("b: yes", "a: yes")
    assert said_once([]) == ()


def test_the_demo_says_everything_once() -> None:
    result = ost.run(ost.load_scenario(LANTERN_HOUSE / "lantern_house.toml"))
    assert len(result.notes) < 105
    assert said_once(result.notes) == result.notes
    every = " ".join(result.notes)
    for part in (result.rates, result.electrode, result.plan, result.ledger, result.filter_choice):
        assert part is not None
        for note in part.notes:
            if not note.endswith(OUTSIDE_TABLE):
                assert note.rsplit(": ", 1)[-1] in every
