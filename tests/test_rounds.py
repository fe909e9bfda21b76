"""What plan and status make of the round trip, from records alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from pipeline.accounts import accounts, to_csv
from pipeline.hashing import key_of
from pipeline.history import in_words
from pipeline.plan import Demand, inputs_of, plan, sent_inputs
from pipeline.records import (
    Action,
    Approval,
    Artifact,
    Event,
    FrameState,
    Handoff,
    Request,
    ResolvedChart,
    ResolvedFrame,
    ResolvedRetouch,
    ResolvedStep,
    Returned,
    Round,
    Settled,
    Trip,
    Version,
    Withdrawn,
)
from pipeline.rounds import retouch_of
from pipeline.status import URGENCY, by_urgency, status
from tests.test_plan import BALANCE, LIBRARIES, LOOK, TONE, WEB, developed, ingested, resolved, step

FRAME = "QL0007"
CABLE = Request(1, "take out the cable", {"whole": True}, must=True)
DUST = Request(2, "clean the shade")
GRAIN = replace(step("mono", {"red": 0.3}), stage="finish")
BRIGHTER = replace(TONE, parameters={**TONE.parameters, "contrast": 1.25})
CHANGED = (BALANCE, BRIGHTER, *LOOK[2:])
SINCE = "tone.contrast 1.10 -> 1.25 in recipes/autumn-quay.yaml"


def asking(
    *steps: ResolvedStep, requests: Sequence[Request] = (CABLE,), **retouch: Any
) -> ResolvedFrame:
    return replace(resolved(*steps), retouch=ResolvedRetouch(tuple(requests), **retouch))


def sent(
    number: int,
    frame: ResolvedFrame,
    *,
    requests: Sequence[Request] = (CABLE,),
    at: str = "2026-05-01T10:00:00+00:00",
    **more: Any,
) -> Handoff:
    inputs = sent_inputs(frame, f"blake3:{FRAME}")
    file = Artifact(f"retouch/round-{number:02}/out/{FRAME}.tif", f"blake3:out{number}", 9)
    ids = (f"xmp.did:{FRAME}", f"xmp.iid:{number}")
    return Handoff(
        number, FRAME, 1, key_of(inputs), inputs, more.pop("to", "Ines"), at,
        more.pop("due", None), tuple(requests), file, {}, (), 60, 40, "romm-rgb", *ids, **more,
    )  # fmt: skip


def came(number: int, content: str = "retouched", **more: Any) -> Returned:
    file = Artifact(f"retouch/round-{number:02}/back/{content}.tif", f"blake3:{content}", 9)
    at = more.pop("at", "2026-05-04T10:00:00+00:00")
    return Returned(number, FRAME, file, None, "romm-rgb", {}, None, at, **more)


def decided(number: int, how: Any, frame: ResolvedFrame, **more: Any) -> Settled:
    inputs = sent_inputs(frame, f"blake3:{FRAME}")
    return Settled(number, FRAME, how, key_of(inputs), inputs, "2026-05-05T10:00:00+00:00", **more)


def at_retouch(*trips: Trip, state: FrameState | None = None, **known: Any) -> FrameState:
    return replace(state or developed(ingested(), LOOK), trips=trips, **known)


def actions(frame: ResolvedFrame, state: FrameState, **demand: Any) -> list[Action]:
    asked = {"selects": {FRAME}, "libraries": LIBRARIES, "encoders": {}, **demand}
    return plan([frame], {FRAME: state}, Demand(**asked))


def told(frame: ResolvedFrame, state: FrameState, **demand: Any) -> tuple[str, int | None, str]:
    (action,) = actions(frame, state, **demand)
    return action.action, action.version, action.reason


def row(frame: ResolvedFrame, state: FrameState, **demand: Any) -> dict[str, Any]:
    asked = {"selects": {FRAME}, "libraries": LIBRARIES, "encoders": {}, **demand}
    (found,) = status([frame], {FRAME: state}, Demand(**asked))["frames"]
    return found


def finished(state: FrameState, frame: ResolvedFrame) -> FrameState:
    """The state after the retouched version was developed."""
    back = retouch_of(state.trips).back
    inputs = inputs_of(frame, state.original.digest, LIBRARIES, back)
    number = len(state.versions) + 1
    master = Artifact(f"masters/{FRAME}_v{number}.tif", f"blake3:m{number}", 9)
    version = Version(FRAME, number, key_of(inputs), "", inputs, master, "2026-05-04")
    return replace(state, versions=(*state.versions, version))


# --- asking, handing off ---


def test_what_is_asked_waits_to_be_handed_off_and_keeps_the_frame_from_delivery() -> None:
    frame, state = asking(requests=[CABLE, DUST]), developed(ingested(), LOOK)
    reason = 'to be handed off: "take out the cable"; "clean the shade"'
    assert told(frame, state) == ("wait", 1, reason)
    master, delivery = actions(frame, state, deliveries=[WEB])
    assert (master.action, delivery.action, delivery.reason) == ("wait", "wait", reason)
    found = row(frame, state)
    assert (found["state"], found["stale"], found["step"]) == ("developed", False, "hand off")
    assert found["next"] == "safelight handoff QL0007 --to NAME"
    assert [r["stands"] for r in found["retouch"]["requests"]] == ["to hand off"] * 2


def test_a_recipe_that_sends_every_select_sends_those_that_ask_for_nothing() -> None:
    state = developed(ingested(), LOOK)
    assert told(asking(requests=[], always=True), state) == ("wait", 1, "to be handed off")
    assert told(asking(requests=[]), state)[0] == "nothing"


def test_an_approval_delivers_a_frame_without_what_was_asked_until_more_is_asked() -> None:
    approval = Approval("2026-05-01", "Ines", waived=(CABLE,))
    state = developed(ingested(), LOOK, approved_version=1, approval=approval)
    assert told(asking(), state)[0] == "nothing"
    found = actions(asking(requests=[CABLE, DUST]), state, deliveries=[WEB])
    assert [(a.action, a.version) for a in found] == [("wait", 1), ("deliver", 1)]
    shown = row(asking(requests=[CABLE, DUST]), state)
    assert shown["stale"]
    assert shown["approved"]["reopened"] == 'to be handed off: "clean the shade"'


def test_a_frame_that_is_out_is_waited_for() -> None:
    frame = asking()
    state = at_retouch(sent(3, frame, due="2026-05-20"))
    reason = "with Ines since 2026-05-01, due 2026-05-20 (round 3)"
    assert told(frame, state) == ("wait", 1, reason)
    found = row(frame, state, today="2026-05-20")
    assert (found["state"], found["round"], found["stale"]) == ("at-retouch", 3, False)
    assert (found["step"], found["retouch"]["overdue"]) == ("wait", False)
    late = row(frame, state, today="2026-05-21")
    assert (late["step"], late["retouch"]["overdue"]) == ("overdue", True)
    assert [a.action for a in actions(frame, state, deliveries=[WEB])] == ["wait", "wait"]


def test_an_approved_version_is_delivered_while_the_frame_is_out_and_the_plan_says_so() -> None:
    frame = asking()
    state = at_retouch(sent(1, frame), approved_version=1, approval=Approval("2026-04-30"))
    found = actions(frame, state, deliveries=[WEB])
    assert [(a.action, a.version) for a in found] == [("wait", 1), ("deliver", 1)]
    assert row(frame, state)["approved"]["reopened"] == "handed off to Ines (round 1)"


# --- what changes meanwhile ---


def test_a_change_of_the_look_makes_a_frame_stale_that_is_out_or_back() -> None:
    frame, now = asking(), asking(*CHANGED)
    out = at_retouch(sent(1, frame))
    assert told(now, out) == ("stale", 1, f"{SINCE}, since it was handed off to Ines (round 1)")
    back = finished(at_retouch(sent(1, frame), came(1)), frame)
    assert told(now, back) == ("stale", 2, f"{SINCE}, since Ines retouched it (round 1)")
    for state in (out, back):
        assert row(now, state)["step"] == "settle"
        kinds = [a.action for a in actions(now, state, deliveries=[WEB], named={FRAME})]
        assert kinds == ["stale", "wait"], "naming a frame settles nothing"
        assert told(frame, state)[0] != "stale", "a change that is taken back is none"


def test_what_comes_after_the_retoucher_and_other_libraries_make_nothing_stale() -> None:
    frame, now = asking(), asking(*LOOK, GRAIN)
    assert told(now, at_retouch(sent(1, frame)))[0] == "wait"
    back = finished(at_retouch(sent(1, frame), came(1)), frame)
    assert told(now, back) == ("develop", 3, "mono added in recipes/autumn-quay.yaml")
    newer = {**LIBRARIES, "numba": "0.62.0"}
    assert told(frame, back, libraries=newer) == ("develop", 3, "numba 0.61.0 -> 0.62.0")
    assert told(frame, at_retouch(sent(1, frame)), libraries=newer)[0] == "wait"


def test_another_way_to_read_a_chart_or_to_follow_a_mask_makes_no_retouch_stale() -> None:
    def read_by(version: str, edition: str = "after-2014") -> ResolvedFrame:
        reading = {"edition": edition, "original": "blake3:c", "libraries": {"scipy": version}}
        followed = {"QL0001": {"original": "blake3:f", "version": version}}
        chart = ResolvedChart("daylight", "QL0001", reading)
        return replace(asking(), chart=chart, follows=followed)

    state = at_retouch(sent(1, read_by("1.14")))
    assert told(read_by("1.15"), state)[0] == "wait"
    assert told(read_by("1.14", "before-2014"), state)[0] == "stale"


def test_the_finish_counts_where_a_colour_was_measured_through_it() -> None:
    parameters = {"name": "enamel", "mask": {"whole": True}, "match": {"product": "red"}}
    match = replace(step("match", parameters), stage="local", label="enamel")
    frame, now = asking(*LOOK, match), asking(*LOOK, match, GRAIN)
    state = at_retouch(sent(1, frame), state=developed(ingested(), (*LOOK, match)))
    assert told(now, state)[0] == "stale"


# --- coming back ---


def test_the_next_version_is_the_returned_file_with_only_the_finish_on_it() -> None:
    frame = asking(*LOOK, GRAIN)
    state = at_retouch(sent(2, frame), came(2), state=developed(ingested(), (*LOOK, GRAIN)))
    (action,) = actions(frame, state)
    assert (action.action, action.version) == ("develop", 2)
    assert action.reason == "retouched by Ines, round 2"
    inputs = inputs_of(frame, "blake3:QL0007", LIBRARIES, retouch_of(state.trips).back)
    assert action.key == key_of(inputs)
    assert [each["step"] for each in inputs["steps"]] == ["mono"]
    assert inputs["retouched"]["digest"] == "blake3:retouched"
    assert row(frame, state)["state"] == "retouched"
    done = finished(state, frame)
    assert told(frame, done) == ("nothing", 2, "v2 is current")
    assert [a.action for a in actions(frame, done, deliveries=[WEB])] == ["deliver"]


def test_other_content_of_the_returned_file_is_another_version() -> None:
    frame = asking()
    first, second = (at_retouch(sent(1, frame), came(1, text)) for text in ("one", "two"))
    assert actions(frame, first)[0].key != actions(frame, second)[0].key


def test_what_was_delivered_before_the_retouch_does_not_count_as_delivered() -> None:
    frame = asking()
    before = developed(ingested(), LOOK, approved_version=1, approval=Approval("2026-04-30"))
    state = finished(at_retouch(sent(1, frame), came(1), state=before), frame)
    assert told(frame, state) == ("wait", 2, "v2 waits for approval; v1 is the approved one")
    found = row(frame, state)
    assert (found["state"], found["version"], found["step"]) == ("retouched", 1, "approve")
    after = replace(state, approved_version=2)
    assert row(frame, after)["state"] == "approved"


def test_a_request_that_came_back_is_not_sent_again_and_a_new_one_is() -> None:
    frame = asking()
    state = finished(at_retouch(sent(1, frame), came(1)), frame)
    assert told(frame, state)[0] == "nothing"
    more = asking(requests=[replace(DUST, number=1), replace(CABLE, number=2)])
    assert told(more, state) == ("wait", 2, 'to be handed off: "clean the shade"')
    moved = asking(requests=[replace(CABLE, where={"whole": True, "feather": 2})])
    assert told(moved, state)[0] == "wait", "the same words about another place are another request"


# --- settling, withdrawing, going back ---


def test_keeping_holds_until_the_next_change() -> None:
    frame, now = asking(), asking(*CHANGED)
    kept = finished(at_retouch(sent(1, frame), came(1), decided(1, "keep", now)), frame)
    assert told(now, kept) == ("nothing", 2, "v2 is current")
    later = replace(BRIGHTER, parameters={**BRIGHTER.parameters, "contrast": 1.3})
    kind, _, reason = told(asking(BALANCE, later, *LOOK[2:]), kept)
    assert (kind, reason.startswith("tone.contrast 1.25 -> 1.30")) == ("stale", True)
    assert told(frame, kept)[0] == "nothing", "it is what was sent"


def test_keeping_while_it_is_out_holds_when_it_comes_back() -> None:
    frame, now = asking(), asking(*CHANGED)
    out = at_retouch(sent(1, frame), decided(1, "keep", now))
    assert told(now, out)[0] == "wait"
    back = replace(out, trips=(*out.trips, came(1)))
    assert told(now, back)[0] == "develop"


def test_again_sets_the_retouch_aside() -> None:
    frame, now = asking(), asking(*CHANGED)
    state = finished(at_retouch(sent(1, frame), came(1)), frame)
    again = replace(state, trips=(*state.trips, decided(1, "again", now)))
    assert told(now, again) == ("develop", 3, "its retouch is set aside")
    remade = developed(again, CHANGED)
    assert told(now, remade)[2] == 'to be handed off: "take out the cable"'
    assert told(now, replace(remade, trips=(*again.trips, sent(2, now))))[0] == "wait"


def test_a_carried_file_counts_in_place_of_the_returned_one() -> None:
    frame, now = asking(), asking(*CHANGED)
    state = finished(at_retouch(sent(1, frame), came(1)), frame)
    file = Artifact("retouch/round-01/back/carried.tif", "blake3:carried", 9)
    carry = decided(1, "carry", now, carried=file, space="romm-rgb")
    carried = replace(state, trips=(*state.trips, carry))
    reason = "retouched by Ines, round 1, carried onto the new look"
    assert told(now, carried) == ("develop", 3, reason)
    assert told(now, finished(carried, now))[0] == "nothing"


def test_going_back_to_an_earlier_round_brings_back_what_it_had_not_done() -> None:
    frame, two = asking(), asking(requests=[CABLE, DUST])
    trips = (sent(1, frame), came(1, "one"), sent(2, two, requests=[DUST], base=1), came(2, "two"))
    state = finished(at_retouch(*trips[:2]), frame)
    state = finished(replace(state, trips=trips), two)
    assert told(two, state) == ("nothing", 3, "v3 is current")
    gone_back = replace(state, trips=(*trips, decided(1, "round", frame)))
    assert told(two, gone_back) == ("wait", 2, 'to be handed off: "clean the shade"')
    changed = asking(*CHANGED, requests=[CABLE, DUST])
    assert told(changed, gone_back)[0] == "stale", "going back decides nothing about the look"


def test_a_withdrawn_hand_off_leaves_the_frame_as_it_was() -> None:
    frame = asking()
    before = developed(ingested(), LOOK)
    withdrawn = at_retouch(sent(1, frame), Withdrawn(1, FRAME, "2026-05-02"))
    assert told(frame, withdrawn) == told(frame, before)
    assert row(frame, withdrawn)["state"] == "developed"


def test_a_late_file_of_a_superseded_round_leaves_the_later_one_out() -> None:
    frame = asking()
    state = at_retouch(sent(1, frame), sent(2, frame, supersedes=1), came(1))
    retouch = retouch_of(state.trips)
    assert retouch.out is not None
    assert retouch.back is not None
    assert (retouch.out.handoff.round, retouch.back.of.round) == (2, 1)


def test_a_rejected_frame_that_is_out_has_to_be_withdrawn() -> None:
    frame = asking()
    found = row(frame, at_retouch(sent(1, frame), state=ingested(rating=-1)))
    assert (found["state"], found["step"]) == ("rejected", "settle")
    assert "safelight withdraw QL0007" in found["next"]


def test_the_next_thing_to_do_is_on_top() -> None:
    rows = [
        {"frame": name, "step": each, "retouch": {"due": due} if due else None}
        for name, each, due in (
            ("A", "done", None),
            ("B", "hand off", "2026-06-01"),
            ("C", "overdue", "2026-05-02"),
            ("D", "hand off", "2026-05-30"),
            ("E", "failed", None),
            ("F", "wait", "2026-05-20"),
        )
    ]
    assert [found["frame"] for found in by_urgency(rows)] == ["E", "C", "D", "B", "F", "A"]
    assert {found["step"] for found in rows} <= set(URGENCY)


# --- accounts, history ---


def test_accounts_count_days_rounds_and_delay() -> None:
    frame = asking()
    first = sent(1, frame, due="2026-05-03")  # back on the 4th: three days, one late
    second = sent(2, frame, at="2026-05-06T10:00:00+00:00", base=1)
    away = sent(3, frame, at="2026-05-10T10:00:00+00:00", to="=Bo")
    trips = (first, came(1), second, came(2, "b", at="2026-05-07T10:00:00+00:00"), away)
    rounds = [
        Round(1, "Ines", first.at, "2026-05-03"),
        Round(2, "Ines", second.at, None),
        Round(3, "=Bo", away.at, None),
    ]
    states = {FRAME: at_retouch(*trips)}
    by_round, by_retoucher = accounts(states, rounds, "2026-05-12T10:00:00+00:00")
    assert [(r.frames, r.back, r.out, r.late, r.days_out, r.rounds_needed) for r in by_round] == [
        (1, 1, 0, 1, 3.0, 1.0),
        (1, 1, 0, 0, 1.0, 2.0),
        (1, 0, 1, 0, 2.0, 1.0),
    ]
    ines, bo = by_retoucher
    assert (ines.rounds, ines.frames, ines.days_out, ines.rounds_needed) == (2, 1, 2.0, 2.0)
    assert (bo.out, bo.days_out) == (1, 2.0)
    head, *lines = to_csv(by_round).splitlines()
    assert head.startswith("round,retoucher,handed_off,due,frames,back,out,withdrawn,late")
    assert len(lines) == 3
    assert lines[2].startswith("3,'=Bo,"), "a name that a spreadsheet would take for a formula"


@pytest.mark.parametrize(
    ("what", "detail", "sentence"),
    [
        (
            "handed off",
            {"version": 2, "to": "Ines", "round": 3, "requests": 1, "due": "2026-05-20"},
            "handed off v2 to Ines, round 3, with 1 request, due 2026-05-20",
        ),
        (
            "taken back",
            {"by": "Ines", "round": 3, "asked": ["nothing was done to it"], "note": "fine"},
            "taken back from Ines, round 3, accepted although nothing was done to it: fine",
        ),
        ("settled", {"how": "keep", "round": 3}, "round 3 stands, whatever changed since"),
        ("withdrawn", {"by": "Ines", "round": 3}, "hand-off of round 3 to Ines withdrawn"),
        (
            "approved",
            {"version": 4, "by": "Mira", "note": "for print", "without": ["clean the shade"]},
            "approved v4 by Mira, without clean the shade: for print",
        ),
        ("developed", {"version": 1, "reason": "first version"}, "developed v1: first version"),
    ],
)
def test_history_is_told_in_sentences(what: str, detail: dict[str, Any], sentence: str) -> None:
    assert in_words(Event(1, "2026-05-01", what, FRAME, detail)) == sentence
