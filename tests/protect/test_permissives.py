"""Permissives of the profile: zero, checklist, proof, hardware interlock; each refusal says what to do."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.errors import RefusedError
from benchkit.model.events import EventKind
from benchkit.model.interlock import State, Trigger
from benchkit.model.stand import Channel
from benchkit.model.start_conditions import ChecklistItem, HardwareInput, ProofRecord, StartConditions
from benchkit.protect.outcomes import Happened
from benchkit.protect.protection import Protection
from benchkit.units import Quantity

MS = 1_000_000
LOOP = HardwareInput("interlock_loop", "shaft_speed", True, 50.0)


def with_conditions(stand, **conditions):
    return replace(stand, start_conditions=StartConditions(**conditions))


def feed(subject, ms, *speeds):
    times = np.full(len(speeds), ms * MS)
    return subject.feed("rack", times, np.array([[20.0, speed] for speed in speeds]), ms * MS)


def told(outcomes, kind=EventKind.PERMISSIVE):
    return [o.message for o in outcomes if isinstance(o, Happened) and o.kind is kind]


@pytest.fixture
def with_forces(stand):
    """The stand with two channels that can be tared."""
    channels = {
        name: Channel(name, name, quantity, "rack", name, -100.0, 100.0)
        for name, quantity in (("shaft_torque", Quantity.TORQUE), ("thrust", Quantity.FORCE))
    }
    return replace(stand, channels={**stand.channels, **channels})


def test_zero_done_wants_every_channel(with_forces):
    subject = Protection(with_conditions(with_forces, zeroed=("shaft_torque", "thrust")), 0)
    subject.feed("rack", np.array([MS]), np.array([[20.0, 100.0, 0.0, 0.0]]), MS)
    with pytest.raises(
        RefusedError, match=r"zero_done \(shaft_torque, thrust\)\. zero_done: Tare shaft_torque, thrust at"
    ):
        subject.request(Trigger.ARM, 2 * MS, "Ada")
    assert told(subject.zero_done(["thrust", "other"], 3 * MS, "Ada")) == []
    with pytest.raises(RefusedError, match=r"zero_done: Tare shaft_torque at rest"):
        subject.request(Trigger.ARM, 4 * MS, "Ada")
    assert told(subject.zero_done(["shaft_torque"], 5 * MS, "Ada")) == ["zero_done: met"]
    assert subject.state is State.READY


ITEMS = (ChecklistItem("guards", "Guards closed"), ChecklistItem("people", "Nobody in the cell"))


def test_the_checklist_is_signed_whole_by_a_person(stand):
    subject = Protection(with_conditions(stand, checklist=ITEMS), 0)
    feed(subject, 1, 100.0)
    with pytest.raises(RefusedError, match="checklist: Tick and sign: Guards closed; Nobody in the cell"):
        subject.request(Trigger.ARM, 2 * MS, "Ada")
    with pytest.raises(RefusedError, match=r"not every item is ticked .*people.*tick it: Nobody in the cell"):
        subject.sign_checklist(["guards"], 3 * MS, "Ada")
    with pytest.raises(RefusedError, match=r"no such item \(got 'guard'\)\. Did you mean 'guards'"):
        subject.sign_checklist(["guard", "people"], 3 * MS, "Ada")
    with pytest.raises(RefusedError, match="nobody has signed"):
        subject.sign_checklist(["guards", "people"], 3 * MS, "")
    assert subject.state is State.STANDBY
    outcomes = subject.sign_checklist(["people", "guards"], 4 * MS, "Ada")
    (signed,) = (o for o in outcomes if o.kind is EventKind.CHECKLIST)
    assert signed.data == {"who": "Ada", "items": {"guards": "Guards closed", "people": "Nobody in the cell"}}
    assert subject.state is State.READY


def test_a_stand_without_a_checklist_has_nothing_to_sign(stand):
    with pytest.raises(RefusedError, match="has no checklist"):
        Protection(stand, 0).sign_checklist([], 0, "Ada")


def test_the_limit_set_is_proven_by_a_record_of_this_limit_set_only(stand):
    subject = Protection(with_conditions(stand, limit_set_proven=True), 0)
    feed(subject, 1, 100.0)
    with pytest.raises(RefusedError, match="is met by a record only"):
        subject.set_permissive("limit_set_proven", True, 2 * MS)
    other = replace(stand, limit_set=replace(stand.limit_set, limits=stand.limit_set.limits[:2]))
    foreign = ProofRecord(Protection(other, 0).protection_hash, "2026-03-04T09:00:00Z")
    subject.set_permissive("limit_set_proven", True, 2 * MS, record=foreign)
    with pytest.raises(RefusedError, match=r"limit_set_proven \(the proof of 2026-03-04T09:00:00Z is of another limit"):
        subject.request(Trigger.ARM, 3 * MS, "Ada")
    ours = ProofRecord(subject.protection_hash, "2026-03-04T09:30:00Z", "Ada")
    assert told(subject.set_permissive("limit_set_proven", True, 4 * MS, record=ours)) == ["limit_set_proven: met"]
    assert subject.state is State.READY


def test_the_hash_knows_every_number_that_decides(stand):
    seen = {Protection(stand, 0).protection_hash}
    hot, warm, fast = stand.limit_set.limits
    ramp = stand.stop_actions["ramp_down"]
    for changed in (
        replace(stand, limit_set=replace(stand.limit_set, limits=(replace(hot, set_point=139.0), warm, fast))),
        replace(stand, limit_set=replace(stand.limit_set, limits=(replace(hot, on_delay_s=0.1), warm, fast))),
        replace(stand, orderly_stop="zero_torque"),
        replace(stand, limit_set=replace(stand.limit_set, starting_time_s=2.0)),
        replace(stand, limit_set=replace(stand.limit_set, starting_time_s=3.0)),
        replace(stand, sources={"rack": replace(stand.sources["rack"], stale_after_s=0.3)}),
        replace(
            stand,
            stop_actions=stand.stop_actions
            | {"ramp_down": replace(ramp, steps=(replace(ramp.steps[0], command="stop"),))},
        ),
    ):
        seen.add(Protection(changed, 0).protection_hash)
    assert len(seen) == 8


def test_an_input_of_the_hardware_interlock_must_be_beyond_its_level_and_fresh(stand):
    subject = Protection(with_conditions(stand, inputs=(LOOP,)), 0)
    with pytest.raises(RefusedError, match=r"interlock_loop \(not measured yet\).*shaft_speed must be above 50"):
        subject.request(Trigger.ARM, 0, "Ada")
    feed(subject, 1, 50.0)  # equality does not count
    with pytest.raises(RefusedError, match=r"interlock_loop \(shaft_speed at 50\)"):
        subject.request(Trigger.ARM, 2 * MS, "Ada")
    assert told(feed(subject, 3, 50.1)) == ["interlock_loop: met"]
    assert subject.state is State.READY
    subject.tick(300 * MS)
    with pytest.raises(RefusedError, match=r"interlock_loop \(rack is stale\)"):
        subject._permissives.refuse("ARM", "STANDBY")


@pytest.mark.parametrize("bad", [49.0, math.nan])
def test_one_bad_row_in_a_block_takes_the_input_away(stand, bad):
    subject = Protection(with_conditions(stand, inputs=(LOOP,)), 0)
    feed(subject, 1, 100.0)
    subject.request(Trigger.ARM, 2 * MS, "Ada")
    outcomes = feed(subject, 3, 100.0, bad, 100.0)
    assert len(told(outcomes)) == 2
    # NaN trips the speed limit as well; a short dip alone takes ARMED back
    assert subject.state is (State.TRIPPED if math.isnan(bad) else State.READY)
    assert [s for s in told(outcomes, EventKind.STATE) if "ARMED to" in s]


def test_an_input_lost_in_running_is_a_matter_for_the_trip_limits(stand):
    subject = Protection(with_conditions(stand, inputs=(LOOP,)), 0)
    feed(subject, 1, 100.0)
    for trigger in (Trigger.ARM, Trigger.START):
        subject.request(trigger, 2 * MS, "Ada")
    feed(subject, 3, 10.0)
    assert subject.state is State.RUNNING
    assert subject.permissives["interlock_loop"] is False


def test_what_protection_follows_by_itself_is_not_set_from_outside(with_forces):
    subject = Protection(with_conditions(with_forces, zeroed=("thrust",), checklist=ITEMS, inputs=(LOOP,)), 0)
    for name in ("sources_fresh", "zero_done", "checklist", "interlock_loop"):
        with pytest.raises(RefusedError, match=f"{name} is not set from outside"):
            subject.set_permissive(name, True, 0)
