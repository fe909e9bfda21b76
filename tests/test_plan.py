"""The plan says what has to be made and why, and never more than that."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as some

from pipeline import changes
from pipeline.hashing import key_of
from pipeline.plan import Demand, delivery_inputs, inputs_of, plan
from pipeline.records import (
    Action,
    Artifact,
    Delivered,
    FrameState,
    Origin,
    Original,
    ResolvedChart,
    ResolvedDelivery,
    ResolvedFrame,
    ResolvedStep,
    Version,
)
from pipeline.status import state_of, status

RECIPE = "recipes/autumn-quay.yaml"
LIBRARIES = {"pass": "1", "numba": "0.61.0"}
ENCODERS = {"rendition": "1", "imagecodecs": "2025.3"}


def step(
    name: str,
    parameters: Mapping[str, Any],
    *,
    file: str = RECIPE,
    version: int = 1,
    files: Mapping[str, str] | None = None,
) -> ResolvedStep:
    origins = {"": Origin(file, 4), **{key: Origin(file, 5) for key in parameters}}
    return ResolvedStep("look", name, name, version, parameters, origins, files or {})


BALANCE = step("balance", {"from": "as-shot"})
TONE = step("tone", {"contrast": 1.1, "toe": 0.2, "shoulder": 0.35, "pivot": 0.18})
HUE = step("hue", {"bands": [{"at": 40.0, "width": 25.0, "turn": 2.0}]})
LOOK = (BALANCE, TONE, HUE)


def resolved(*steps: ResolvedStep, frame: str = "QL0007") -> ResolvedFrame:
    return ResolvedFrame(frame, "autumn-quay", None, steps or LOOK)


def ingested(name: str = "QL0007", **known: Any) -> FrameState:
    original = Original(f"originals/{name}.dng", f"blake3:{name}", 12_000_000)
    return FrameState(name, original, **{"rating": 4, **known})


def developed(state: FrameState, *chains: tuple[ResolvedStep, ...], **known: Any) -> FrameState:
    """The state after each chain was developed in turn."""
    versions = list(state.versions)
    for number, chain in enumerate(chains, start=len(versions) + 1):
        inputs = inputs_of(resolved(*chain), state.original.digest, LIBRARIES)
        master = Artifact(f"masters/{state.name}_v{number}.tif", f"blake3:{number}", 48_000_000)
        versions.append(
            Version(state.name, number, key_of(inputs), "", inputs, master, "2026-05-20T12:00:00Z")
        )
    return replace(state, versions=tuple(versions), **known)


WEB = ResolvedDelivery(
    "web",
    {
        "format": "jpeg",
        "quality": 90,
        "long_edge": 2048,
        "sharpen_for": {"medium": "gloss", "ppi": 300, "distance_mm": 400.0},
    },
    {"creator": "Ines Tolland"},
    {"QL0007": {"path": "deliveries/web/quay-lamps_001_QL0007.jpg"}},
    {
        "quality": Origin("job.yaml", 20),
        "sharpen_for": Origin("job.yaml", 21),
        "metadata.creator": Origin("job.yaml", 5),
    },
)


def delivered(state: FrameState, number: int, delivery: ResolvedDelivery = WEB) -> FrameState:
    """The state after a version was delivered."""
    inputs = delivery_inputs(delivery, state.name, state.versions[number - 1].key, {**ENCODERS})
    file = Artifact(delivery.files[state.name]["path"], "blake3:f", 400_000)
    record = Delivered(
        delivery.name, state.name, number, key_of(inputs), inputs, file, "2026-05-20T13:00:00Z"
    )
    return replace(state, delivered={**state.delivered, delivery.name: record})


def planned(frame: ResolvedFrame, state: FrameState, **demand: Any) -> list[Action]:
    asked = {"selects": {state.name}, "libraries": LIBRARIES, "encoders": ENCODERS, **demand}
    return plan([frame], {state.name: state}, Demand(**asked))


def only(actions: list[Action]) -> Action:
    (action,) = actions
    return action


def told(action: Action) -> tuple[str, int | None, str]:
    return action.action, action.version, action.reason


# --- masters ---


def test_a_new_select_is_developed_under_the_key_of_its_inputs() -> None:
    action = only(planned(resolved(), ingested()))
    assert told(action) == ("develop", 1, "first version")
    assert action.key == key_of(inputs_of(resolved(), "blake3:QL0007", LIBRARIES))


@pytest.mark.parametrize(
    ("rating", "selects", "reason"),
    [(3, set(), "not a select (rating 3)"), (-1, {"QL0007"}, "rejected")],
)
def test_what_is_no_select_is_left_alone(rating: int, selects: set[str], reason: str) -> None:
    action = only(planned(resolved(), ingested(rating=rating), selects=selects))
    assert told(action) == ("nothing", None, reason)


def test_the_same_inputs_ask_for_nothing() -> None:
    whole_numbers = replace(TONE, parameters={**TONE.parameters, "toe": 1.0})
    stored_as_json = replace(TONE, parameters={**TONE.parameters, "toe": 1})
    state = developed(ingested(), (BALANCE, stored_as_json))
    assert told(only(planned(resolved(BALANCE, whole_numbers), state))) == (
        "nothing",
        1,
        "v1 is current",
    )


def tone(**parameters: Any) -> ResolvedStep:
    return replace(TONE, parameters={**TONE.parameters, **parameters})


@pytest.mark.parametrize(
    ("chain", "reason"),
    [
        ((BALANCE, tone(contrast=1.12), HUE), f"tone.contrast 1.10 -> 1.12 in {RECIPE}"),
        (
            (BALANCE, tone(contrast=2, toe=1e-7), HUE),
            f"tone.contrast 1.1 -> 2.0 in {RECIPE}; tone.toe 0.2 -> 1e-07 in {RECIPE}",
        ),
        (
            (BALANCE, TONE, step("hue", {"bands": [{"at": 40.0, "width": 25.0, "turn": -3.5}]})),
            f"hue.bands[0].turn 2.0 -> -3.5 in {RECIPE}",
        ),
        (
            (BALANCE, TONE, step("hue", {"bands": []})),
            f'hue.bands[0] removed ({{"at": 40.0, "width": 25.0, "turn": 2.0}}) in {RECIPE}',
        ),
        (
            (step("balance", {"from": {"kelvin": 5200}}, file="setups/dusk.yaml"), TONE, HUE),
            'balance.from as-shot -> {"kelvin": 5200} in setups/dusk.yaml',
        ),
        (
            (*LOOK, step("expose", {"stops": 0.4}, file="frames/QL0007.yaml")),
            "expose added in frames/QL0007.yaml",
        ),
        ((BALANCE, HUE), "tone removed"),
        ((BALANCE, HUE, TONE), "steps in another order"),
        ((BALANCE, replace(TONE, version=2), HUE), "tone itself changed (step version 1 -> 2)"),
        (
            (BALANCE, replace(tone(toe=0.0), origins={"toe": Origin("default", 0)}), HUE),
            "tone.toe 0.2 -> 0.0 by default",
        ),
        (
            (
                BALANCE,
                tone(contrast=1.2, toe=0.1, shoulder=0.3, pivot=0.2),
                replace(HUE, version=2),
            ),
            f"tone.contrast 1.1 -> 1.2 in {RECIPE}; tone.toe 0.2 -> 0.1 in {RECIPE};"
            f" tone.shoulder 0.35 -> 0.30 in {RECIPE} and 2 more",
        ),
    ],
)
def test_a_change_of_the_recipe_is_named(chain: tuple[ResolvedStep, ...], reason: str) -> None:
    action = only(planned(resolved(*chain), developed(ingested(), LOOK)))
    assert told(action) == ("develop", 2, reason)


def test_true_is_not_one() -> None:
    before, after = step("mono", {"strict": True}), step("mono", {"strict": 1})
    action = only(planned(resolved(after), developed(ingested(), (before,))))
    assert told(action) == ("develop", 2, f"mono.strict true -> 1 in {RECIPE}")


def test_two_steps_of_one_kind_are_told_apart_by_their_labels() -> None:
    first = step("primaries", {"saturation": 1.0})
    second = replace(step("primaries", {"saturation": 1.1}), label="warm")
    changed = replace(second, parameters={"saturation": 1.2})
    action = only(planned(resolved(first, changed), developed(ingested(), (first, second))))
    assert action.reason == f"warm.saturation 1.1 -> 1.2 in {RECIPE}"


def test_other_content_of_a_table_is_a_change() -> None:
    parameters = {"file": "tables/dusk.cube"}
    before = step("table", parameters, files={"tables/dusk.cube": "blake3:a"})
    after = step("table", parameters, files={"tables/dusk.cube": "blake3:b"})
    action = only(planned(resolved(after), developed(ingested(), (before,))))
    assert told(action) == ("develop", 2, "table: tables/dusk.cube has other content")


def test_other_content_of_the_original_is_a_change() -> None:
    state = developed(ingested(), LOOK)
    other = replace(state, original=replace(state.original, digest="blake3:other"))
    assert only(planned(resolved(), other)).reason == "the original has other content"


@pytest.mark.parametrize(
    ("libraries", "reason"),
    [
        ({**LIBRARIES, "numba": "0.62.1"}, "numba 0.61.0 -> 0.62.1"),
        ({**LIBRARIES, "pass": "2"}, "how this Safelight develops changed (pass 1 -> 2)"),
        ({"pass": "1"}, "numba removed (0.61.0)"),
    ],
)
def test_another_library_is_a_change(libraries: dict[str, str], reason: str) -> None:
    action = only(planned(resolved(), developed(ingested(), LOOK), libraries=libraries))
    assert told(action) == ("develop", 2, reason)


def test_a_change_that_is_taken_back_finds_the_version_made_before() -> None:
    state = delivered(developed(ingested(), LOOK, (BALANCE, HUE)), 2)
    assert told(only(planned(resolved(), state))) == ("nothing", 1, "v1 is current")
    again = only(planned(resolved(), state, deliveries=[WEB]))
    assert told(again) == ("deliver", 1, "v2 -> v1")


def test_a_lost_master_is_made_again_as_the_version_that_it_was() -> None:
    state = developed(ingested(), LOOK, (BALANCE, HUE))
    action = only(planned(resolved(), state, missing={"masters/QL0007_v1.tif"}))
    assert told(action) == (
        "develop",
        1,
        "masters/QL0007_v1.tif is not there as it was recorded",
    )
    assert action.key == state.versions[0].key
    # a lost master that nothing asks for is no reason to do anything
    assert only(planned(resolved(), state, missing={"masters/QL0007_v2.tif"})).action == "nothing"


def test_a_frame_that_failed_is_tried_again_and_says_so() -> None:
    state = ingested(problem="the raw ends after 2 MB")
    assert only(planned(resolved(), state)).reason == (
        "first version (failed last time: the raw ends after 2 MB)"
    )


# --- approval ---

CHANGED = (BALANCE, tone(contrast=1.12), HUE)
SINCE = f"tone.contrast 1.10 -> 1.12 in {RECIPE}"


def test_an_approved_frame_turns_stale_and_is_not_remade() -> None:
    state = developed(ingested(), LOOK, approved_version=1)
    action = only(planned(resolved(*CHANGED), state))
    assert told(action) == ("stale", 1, f"{SINCE}, since v1 was approved")


def test_naming_an_approved_frame_develops_it_and_it_waits_for_approval() -> None:
    state = developed(ingested(), LOOK, approved_version=1)
    action = only(planned(resolved(*CHANGED), state, named={"QL0007"}))
    assert told(action) == ("develop", 2, SINCE)

    state = developed(state, CHANGED)
    for named in (set(), {"QL0007"}):
        action = only(planned(resolved(*CHANGED), state, named=named))
        assert told(action) == ("wait", 2, "v2 waits for approval; v1 is the approved one")

    approved = replace(state, approved_version=2)
    assert told(only(planned(resolved(*CHANGED), approved))) == ("nothing", 2, "v2 is current")


def test_what_is_delivered_is_the_approved_version() -> None:
    state = developed(ingested(), LOOK, CHANGED, approved_version=1)
    wait, deliver = planned(resolved(*CHANGED), state, deliveries=[WEB])
    assert wait.action == "wait"
    assert told(deliver) == ("deliver", 1, "not delivered before")
    inputs = delivery_inputs(WEB, "QL0007", state.versions[0].key, ENCODERS)
    assert deliver.key == key_of(inputs)


def test_a_lost_master_of_an_approved_version_is_made_again_or_waited_for() -> None:
    state = developed(ingested(), LOOK, approved_version=1)
    lost = {"masters/QL0007_v1.tif"}
    action = only(planned(resolved(), state, missing=lost))
    assert (action.action, action.version) == ("develop", 1)

    stale, wait = planned(resolved(*CHANGED), state, missing=lost, deliveries=[WEB])
    assert stale.action == "stale"
    assert (wait.action, wait.delivery) == ("wait", "web")
    assert wait.reason.startswith("masters/QL0007_v1.tif is not there as it was recorded")


def test_a_version_that_waits_for_approval_is_remade_only_by_name() -> None:
    state = developed(ingested(), LOOK, CHANGED, approved_version=1)
    lost = {"masters/QL0007_v2.tif"}
    wait, deliver = planned(resolved(*CHANGED), state, missing=lost, deliveries=[WEB])
    assert (wait.action, deliver.action, deliver.version) == ("wait", "deliver", 1)
    action = only(planned(resolved(*CHANGED), state, missing=lost, named={"QL0007"}))
    assert (action.action, action.version) == ("develop", 2)


def test_naming_a_frame_for_a_delivery_still_delivers_what_was_approved() -> None:
    state = developed(ingested(), LOOK, approved_version=1)
    stale, deliver = planned(resolved(*CHANGED), state, named={"QL0007"}, deliveries=[WEB])
    assert (stale.action, deliver.action, deliver.version) == ("stale", "deliver", 1)


# --- deliveries ---


def test_a_delivery_follows_its_master() -> None:
    develop, deliver = planned(resolved(), ingested(), deliveries=[WEB])
    assert (develop.action, develop.version) == ("develop", 1)
    assert told(deliver) == ("deliver", 1, "not delivered before")
    assert deliver.delivery == "web"
    assert deliver.key == key_of(delivery_inputs(WEB, "QL0007", develop.key, ENCODERS))

    state = delivered(developed(ingested(), LOOK), 1)
    assert only(planned(resolved(), state, deliveries=[WEB])).action == "nothing"

    develop, deliver = planned(resolved(*CHANGED), state, deliveries=[WEB])
    assert (develop.action, develop.reason) == ("develop", SINCE)
    assert told(deliver) == ("deliver", 2, "v1 -> v2")


def sharpened_for(medium: object) -> ResolvedDelivery:
    return replace(WEB, settings={**WEB.settings, "sharpen_for": medium})


@pytest.mark.parametrize(
    ("delivery", "reason"),
    [
        (replace(WEB, settings={**WEB.settings, "quality": 85}), "quality 90 -> 85 in job.yaml"),
        (
            sharpened_for({"medium": "gloss", "ppi": 300, "distance_mm": 600.0}),
            "sharpen_for.distance_mm 400.0 -> 600.0 in job.yaml",
        ),
        (
            sharpened_for({"medium": "matte", "ppi": 300, "distance_mm": 400.0}),
            "sharpen_for.medium gloss -> matte in job.yaml",
        ),
        (
            replace(WEB, metadata={"creator": "I. Tolland"}),
            "creator Ines Tolland -> I. Tolland in job.yaml",
        ),
        (
            replace(WEB, files={"QL0007": {"path": "deliveries/web/a.jpg", "description": "Dusk"}}),
            "name quay-lamps_001_QL0007.jpg -> a.jpg; description added (Dusk)",
        ),
        (
            replace(
                WEB,
                files={
                    "QL0007": {
                        **WEB.files["QL0007"],
                        "framing": {"crop": [0.1, 0, 1, 1], "focal": [0.3, 0.5]},
                    }
                },
            ),
            "its crop changed; its focal point changed",
        ),
    ],
)
def test_a_change_of_a_delivery_is_named(delivery: ResolvedDelivery, reason: str) -> None:
    state = delivered(developed(ingested(), LOOK), 1)
    action = only(planned(resolved(), state, deliveries=[delivery]))
    assert told(action) == ("deliver", 1, reason)


def test_a_lost_delivered_file_is_delivered_again() -> None:
    state = delivered(developed(ingested(), LOOK), 1)
    path = WEB.files["QL0007"]["path"]
    action = only(planned(resolved(), state, deliveries=[WEB], missing={path}))
    assert told(action) == ("deliver", 1, f"{path} is not there as it was recorded")


def test_a_file_that_left_its_delivery_is_pointed_out() -> None:
    state = delivered(developed(ingested(), LOOK), 1)
    told_left = ("stale", 1, "no longer part of web, which still holds v1")
    empty = replace(WEB, files={})
    assert told(only(planned(resolved(), state, deliveries=[empty]))) == told_left
    assert told(only(planned(resolved(), state, selects=set(), deliveries=[empty]))) == told_left


def test_a_delivery_that_names_a_frame_makes_it_without_a_rating() -> None:
    actions = planned(resolved(), ingested(rating=0), selects=set(), deliveries=[WEB])
    assert [action.action for action in actions] == ["develop", "deliver"]
    actions = planned(resolved(), ingested(rating=-1), selects=set(), deliveries=[WEB])
    assert told(only(actions)) == ("nothing", None, "rejected")


# --- all frames ---


def test_actions_come_in_the_order_of_the_frames() -> None:
    names = [f"QL{number:04}" for number in range(40)]
    random.Random(5).shuffle(names)
    states = {name: ingested(name) for name in sorted(names)}
    frames = [resolved(frame=name) for name in names]
    actions = plan(frames, states, Demand(set(names[:20]), LIBRARIES))
    assert [action.frame for action in actions] == names
    assert [action.action for action in actions] == ["develop"] * 20 + ["nothing"] * 20
    assert len({action.key for action in actions[:20]}) == 20


json_values = some.recursive(
    some.none()
    | some.booleans()
    | some.integers(-5, 5)
    | some.sampled_from([0.5, 1.0, -0.0, 2.25, 1e-9])
    | some.text("abc", max_size=3),
    lambda inner: (
        some.lists(inner, max_size=3) | some.dictionaries(some.text("xyz", max_size=2), inner)
    ),
    max_leaves=5,
)
chains = some.lists(
    some.builds(
        lambda name, parameters, version: step(name, parameters, version=version),
        some.sampled_from(["tone", "hue", "mono"]),
        some.dictionaries(some.sampled_from(["toe", "pivot"]), json_values),
        some.integers(1, 2),
    ),
    max_size=3,
)


@given(chains, chains)
def test_keys_differ_exactly_where_a_change_is_named(
    before: list[ResolvedStep], after: list[ResolvedStep]
) -> None:
    old = inputs_of(ResolvedFrame("A", "r", None, tuple(before)), "blake3:0", LIBRARIES)
    new = inputs_of(ResolvedFrame("A", "r", None, tuple(after)), "blake3:0", LIBRARIES)
    named = changes.of_version(old, new, ResolvedFrame("A", "r", None, tuple(after)))
    assert bool(named) == (key_of(old) != key_of(new))


@given(chains)
def test_keys_of_a_plan_are_those_of_the_inputs(chain: list[ResolvedStep]) -> None:
    frame = ResolvedFrame("QL0007", "r", None, tuple(chain))
    action = planned(frame, ingested())[0]
    assert action.key == key_of(inputs_of(frame, "blake3:QL0007", LIBRARIES))


def carried_out(
    frame: ResolvedFrame, state: FrameState, actions: list[Action], missing: set[str]
) -> tuple[FrameState, set[str]]:
    """What is known and what is missing once the actions are done."""
    for action in actions:
        if action.action == "develop":
            assert action.version is not None
            if action.version > len(state.versions):
                state = developed(state, frame.steps)
            assert state.versions[action.version - 1].key == action.key
            missing = missing - {state.versions[action.version - 1].master.path}
        elif action.action == "deliver":
            assert action.version is not None
            assert state.versions[action.version - 1].master.path not in missing
            state = delivered(state, action.version)
            assert state.delivered["web"].key == action.key
            missing = missing - {state.delivered["web"].artifact.path}
    return state, missing


CHAINS = (LOOK, CHANGED, (BALANCE,), (BALANCE, HUE))


@given(some.data())
def test_a_plan_that_was_carried_out_leaves_nothing_to_make(data: some.DataObject) -> None:
    history = data.draw(some.permutations(CHAINS))[: data.draw(some.integers(0, 3))]
    state = developed(ingested(rating=data.draw(some.integers(-1, 5))), *history)
    if history:
        number = some.integers(1, len(history))
        state = replace(state, approved_version=data.draw(some.none() | number))
        if data.draw(some.booleans()):
            state = delivered(state, data.draw(number))
    paths = [version.master.path for version in state.versions]
    paths += [file.artifact.path for file in state.delivered.values()]
    missing = data.draw(some.sets(some.sampled_from(paths))) if paths else set()
    frame = resolved(*data.draw(some.sampled_from(CHAINS)))
    asked = {
        "selects": data.draw(some.sampled_from([set(), {"QL0007"}])),
        "named": data.draw(some.sampled_from([set(), {"QL0007"}])),
        "deliveries": data.draw(some.sampled_from([[], [WEB]])),
    }

    actions = planned(frame, state, missing=missing, **asked)
    made = [action for action in actions if action.action in ("develop", "deliver")]
    assert len({action.version for action in made}) <= 1
    assert actions
    assert len(actions) == 1 or all(action.action != "nothing" for action in actions)

    state, missing = carried_out(frame, state, actions, missing)
    left = planned(frame, state, missing=missing, **asked)
    assert not [action for action in left if action.action in ("develop", "deliver")]


# --- status ---


@pytest.mark.parametrize(
    ("state", "selected", "reached"),
    [
        (ingested(rating=0), False, "ingested"),
        (ingested(), True, "select"),
        (ingested(rating=-1), False, "rejected"),
        (developed(ingested(), LOOK), True, "developed"),
        (developed(ingested(rating=1), LOOK), False, "developed"),
        (developed(ingested(), LOOK, approved_version=1), True, "approved"),
        (delivered(developed(ingested(), LOOK), 1), True, "delivered"),
        (delivered(developed(ingested(rating=-1), LOOK), 1), True, "rejected"),
    ],
)
def test_states(state: FrameState, selected: bool, reached: str) -> None:
    assert state_of(state, selected=selected) == reached


def rows(*pairs: tuple[ResolvedFrame, FrameState], **demand: Any) -> dict[str, Any]:
    states = {state.name: state for _, state in pairs}
    asked = {
        "selects": set(states),
        "libraries": LIBRARIES,
        "encoders": ENCODERS,
        "deliveries": [WEB],
        **demand,
    }
    return status([frame for frame, _ in pairs], states, Demand(**asked))


def test_a_row_holds_what_scripts_rely_on() -> None:
    state = delivered(developed(ingested(burst="b03"), LOOK), 1)
    frame = replace(resolved(*CHANGED), setup="daylight")
    (row,) = rows((frame, replace(state, setup="gap-2")))["frames"]
    assert row == {
        "frame": "QL0007",
        "rating": 4,
        "setup": "daylight",
        "burst": "b03",
        "state": "delivered",
        "version": 1,
        "stale": True,
        "reason": f"{SINCE}; v1 -> v2",
        "round": None,
        "delivered": {"web": 1},
        "problem": None,
        "approved": None,
        "retouch": None,
        "step": "run",
        "next": "safelight run",
    }


def test_what_was_only_not_made_yet_is_not_stale() -> None:
    (fresh,) = rows((resolved(), ingested(setup="gap-1")))["frames"]
    assert (fresh["state"], fresh["version"], fresh["stale"], fresh["reason"]) == (
        "select",
        None,
        False,
        None,
    )
    assert fresh["setup"] == "gap-1"
    (undelivered,) = rows((resolved(), developed(ingested(), LOOK)))["frames"]
    assert (undelivered["state"], undelivered["stale"]) == ("developed", False)


def test_the_version_of_a_row_is_the_current_one() -> None:
    twice = developed(ingested(), LOOK, CHANGED)
    (row,) = rows((resolved(), twice))["frames"]
    assert (row["version"], row["stale"]) == (1, False)
    (row,) = rows((resolved(*CHANGED), replace(twice, approved_version=1)))["frames"]
    assert (row["version"], row["stale"], row["state"]) == (1, True, "approved")


def test_counts_add_up() -> None:
    several = [
        (resolved(frame="A"), ingested("A", rating=-1)),
        (resolved(frame="B"), ingested("B", rating=0)),
        (resolved(frame="C"), ingested("C", problem="the raw is empty")),
        (resolved(*CHANGED, frame="D"), developed(ingested("D"), LOOK)),
        (resolved(frame="E"), developed(ingested("E"), LOOK, approved_version=1)),
    ]
    counts = rows(*several, selects={"A", "C", "D", "E"}, deliveries=[])["counts"]
    assert {name: count for name, count in counts.items() if count} == {
        "rejected": 1,
        "ingested": 1,
        "select": 1,
        "developed": 1,
        "approved": 1,
        "stale": 1,
        "problem": 1,
    }
    assert {"at-retouch", "retouched", "delivered"} <= counts.keys()


def test_another_encoder_makes_delivered_files_again_and_no_version() -> None:
    state = delivered(developed(ingested(), LOOK), 1)
    encoders = {**ENCODERS, "imagecodecs": "2026.1"}
    action = only(planned(resolved(), state, deliveries=[WEB], encoders=encoders))
    assert told(action) == ("deliver", 1, "imagecodecs 2025.3 -> 2026.1")


# --- charts ---

CHART = ResolvedChart(
    "day",
    "QL0001",
    {"edition": "after-2014", "original": "blake3:QL0001"},
    origins={"frame": Origin("setups/day.yaml", 3), "edition": Origin("setups/day.yaml", 4)},
)


def with_chart(name: str, chart: ResolvedChart = CHART) -> ResolvedFrame:
    return replace(resolved(step("balance", {"from": "chart"}), frame=name), chart=chart)


def test_a_chart_is_read_once_before_the_frames_that_wait_for_it() -> None:
    states = {name: ingested(name) for name in ("QL0007", "QL0008", "QL0009")}
    frames = [with_chart("QL0007"), with_chart("QL0008"), resolved(frame="QL0009")]
    demand = Demand(selects=states.keys(), libraries=LIBRARIES)
    actions = plan(frames, states, demand)
    assert [(action.frame, action.action) for action in actions] == [
        ("QL0001", "measure"),
        ("QL0007", "develop"),
        ("QL0008", "develop"),
        ("QL0009", "develop"),
    ]
    assert actions[0].key == key_of(CHART.inputs)
    again = plan(frames, states, replace(demand, measured={actions[0].key}))
    assert again == actions[1:]


def test_a_chart_is_not_read_for_frames_that_are_current() -> None:
    frame, state = with_chart("QL0007"), ingested()
    inputs = inputs_of(frame, state.original.digest, LIBRARIES)
    master = Artifact("masters/QL0007_v1.tif", "blake3:1", 48_000_000)
    version = Version("QL0007", 1, key_of(inputs), "", inputs, master, "2026-05-20T12:00:00Z")
    assert told(only(planned(frame, replace(state, versions=(version,))))) == (
        "nothing",
        1,
        "v1 is current",
    )


@pytest.mark.parametrize(
    ("inputs", "reason"),
    [
        ({"edition": "average"}, "chart.edition after-2014 -> average in setups/day.yaml"),
        ({"original": "blake3:other"}, "the chart of day is another frame in setups/day.yaml"),
        ({"corners": [[0, 0]]}, "chart.corners added ([[0, 0]])"),
    ],
)
def test_what_changed_about_a_chart_is_said(inputs: dict[str, Any], reason: str) -> None:
    frame, state = with_chart("QL0007"), ingested()
    before = inputs_of(frame, state.original.digest, LIBRARIES)
    master = Artifact("masters/QL0007_v1.tif", "blake3:1", 48_000_000)
    version = Version("QL0007", 1, key_of(before), "", before, master, "2026-05-20T12:00:00Z")
    changed = with_chart("QL0007", replace(CHART, inputs={**CHART.inputs, **inputs}))
    _, action = planned(changed, replace(state, versions=(version,)))
    assert told(action) == ("develop", 2, reason)
    assert action.key == key_of(inputs_of(changed, state.original.digest, LIBRARIES))


# --- masks that are carried ---


def following(original: str = "blake3:QL0003", version: str = "1") -> ResolvedFrame:
    return replace(resolved(), follows={"QL0003": {"original": original, "version": version}})


@pytest.mark.parametrize("changed", [following("blake3:other"), following(version="2"), resolved()])
def test_what_a_mask_is_carried_from_decides_the_pixels(changed: ResolvedFrame) -> None:
    before = inputs_of(following(), "blake3:QL0007", LIBRARIES)
    master = Artifact("masters/QL0007_v1.tif", "blake3:1", 48_000_000)
    version = Version("QL0007", 1, key_of(before), "", before, master, "2026-05-20T12:00:00Z")
    state = ingested(versions=(version,))
    assert told(only(planned(following(), state))) == ("nothing", 1, "v1 is current")
    action = only(planned(changed, state))
    assert told(action) == ("develop", 2, "what its masks follow changed")
    assert action.key == key_of(inputs_of(changed, "blake3:QL0007", LIBRARIES))
