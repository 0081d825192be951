"""Room mics that stand at the kit, and those that stand in a small room."""

from dataclasses import replace

import pytest

from findkit import DELAYS, file_of, grave, kit, shifted, the, told

ROOMS = {"room-left": 0, "room-right": 1}  # with the overhead of the same side in DELAYS


def placed(behind_ms, roles=tuple(ROOMS), **changes):
    """The kit with room mics so much behind the overhead of their side, at every drum or at those given."""
    files = {file_of(role): side for role, side in ROOMS.items() if role in roles}

    def moved(p):
        ms = behind_ms.get(p.drum) if isinstance(behind_ms, dict) else behind_ms
        if p.b not in files or p.drum not in DELAYS or ms is None or p.a == file_of("room-left"):
            return p
        own = next(q for q in records["pairs"] if q.drum == p.drum and q.b == file_of("overhead-left"))
        near = p.a == own.a
        return replace(p, delay_ms=DELAYS[p.drum][files[p.b]] + ms, **changes) if near else p

    records = kit()
    return records | {"pairs": tuple(moved(p) for p in records["pairs"])}


def said(records):
    return [(f.severity, f.files) for f in told(records).findings if f.code == "room-mic-close"]


def test_rooms_that_stand_at_the_kit_are_worth_a_look():
    """They hear every drum when an overhead does."""
    records = placed(0.4)

    assert said(records) == [("look", (file_of("room-left"),)), ("look", (file_of("room-right"),))]
    assert "no later than an overhead does" in the(told(placed(0.4, ("room-left",))), "room-mic-close").message


def test_the_snare_need_not_be_known():
    """Two other drums will do; one alone may stand beside the mic."""
    unknown = {"delay_ms": None, "delay_spread_ms": None, "path_cm": None, "first_notch_hz": None}
    why = dict.fromkeys(unknown, "too few strokes")

    def without(records, *drums):
        return records | {
            "pairs": tuple(
                replace(p, **unknown, unmeasured=p.unmeasured | why)
                if p.b == file_of("room-left") and p.drum in drums else p
                for p in records["pairs"]
            )
        }  # fmt: skip

    records = placed(0.4, ("room-left",))
    assert said(without(records, "snare")) == [("look", (file_of("room-left"),))]
    assert said(without(records, *(d for d in DELAYS if d != "kick"))) == []


@pytest.mark.parametrize("behind_ms", [1.5, 2.5, 6.0])
def test_a_room_mic_further_back_is_at_most_a_note(behind_ms):
    """Half a metre behind the overheads is a small room, and a matter of taste."""
    assert [severity for severity, _ in said(placed(behind_ms))] in ([], ["note"], ["note", "note"])
    assert grave(told(placed(behind_ms))) == []


def test_one_drum_beside_the_mic_does_not_make_it_an_overhead():
    """A floor tom at the wall, next to the room mic."""
    assert said(placed({"floor-tom": 0.0}, ("room-right",))) == []


def test_the_snare_alone_as_soon_as_in_an_overhead_is_a_note():
    """The others are heard later."""
    assert said(placed({"snare": 0.5}, ("room-left",))) == [("note", (file_of("room-left"),))]


def test_overheads_that_are_late_do_not_bring_the_rooms_to_the_kit():
    """Both by 6 ms, which puts them behind the room mics."""
    late = shifted(shifted(kit(), "overhead-left", 6.0), "overhead-right", 6.0)

    assert "look" not in [severity for severity, _ in said(late)]


def test_delays_that_are_not_known_say_nothing():
    """Strokes that disagree by two milliseconds are no place."""
    assert said(placed(0.4, delay_spread_ms=2.0)) == []
