from agent.burst import Quickening
from agent.signals import Sample


def test_a_flag_or_a_jump_begins_a_closer_look_and_a_steady_furnace_does_not():
    quick = Quickening()
    assert not quick.begun(Sample("a", 0.0, {"o2": 3.0}))
    assert not quick.begun(Sample("a", 5.0, {"o2": 4.5}))
    assert quick.begun(Sample("a", 10.0, {"o2": 19.0}))
    assert not quick.begun(Sample("a", 15.0, {"o2": 19.5}))
    assert quick.begun(Sample("a", 20.0, {"o2": 19.5, "blowback_active": 1.0}))
    assert quick.begun(Sample("b", 20.0, {"cell_emf": 40.0, "calibrating": 1.0}))


def test_a_flag_that_stands_for_hours_is_no_reason_to_poll_fast():
    quick = Quickening()
    assert quick.begun(Sample("a", 0.0, {"calibrating": 1.0}))
    assert not quick.begun(Sample("a", 4000.0, {"calibrating": 1.0}))
    assert not quick.begun(Sample("a", 4001.0, {}))  # a failed poll ends nothing
    assert not quick.begun(Sample("a", 4002.0, {"calibrating": 1.0}))
    assert not quick.begun(Sample("a", 4003.0, {"calibrating": 0.0}))
    assert quick.begun(Sample("a", 4004.0, {"calibrating": 1.0}))


def test_a_flag_that_is_stuck_does_not_hide_the_next_check():
    quick = Quickening()
    stuck = {"calibrating": 1.0, "blowback_active": 0.0}
    assert quick.begun(Sample("a", 0.0, stuck))
    assert not quick.begun(Sample("a", 4000.0, stuck))
    assert quick.begun(Sample("a", 4001.0, {**stuck, "blowback_active": 1.0}))
