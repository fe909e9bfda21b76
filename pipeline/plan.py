"""Decides what has to be done to every frame, with a key and a reason in words; does none of it.

Pure: compares what the recipe asks for with what the manifest knows; opens nothing. The rules:

* A version is current while its key is what the recipe asks for, however old it is: a change that
  is taken back leads to the version that was made before, and nothing is made twice.
* An approved version is what gets delivered until a person approves another one. When its inputs
  change, the frame turns stale and nothing is made, unless the frame is named: then the new version
  is developed, and waits for approval.
* All that one plan makes of a frame is of one version.
* A state never goes backwards; ``stale`` says that what was reached is not what is asked for now.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, get_args

from pipeline import changes
from pipeline.hashing import canonical_json, key_of
from pipeline.records import (
    Action,
    ActionKind,
    FrameState,
    ResolvedDelivery,
    ResolvedEven,
    ResolvedFrame,
    ResolvedStep,
    State,
    Version,
)

REJECTED = -1


@dataclass(frozen=True, slots=True)
class Demand:
    """What is asked of the job.

    ``selects`` are the frames to finish. ``libraries`` are the versions of everything that makes a
    master's pixels, by a name for the person, the fused pass included; ``encoders`` of what makes
    a delivered file from a master. ``missing`` are the paths of masters and delivered files that
    are not on disk as they were recorded. ``named`` are the frames that a person named, which
    overrules an earlier approval unless deliveries are asked for: those carry what was approved.
    ``measured`` are the keys of the charts and products that were read before.
    """

    selects: Collection[str]
    libraries: Mapping[str, str]
    encoders: Mapping[str, str] = field(default_factory=dict)
    deliveries: Sequence[ResolvedDelivery] = ()
    missing: Collection[str] = frozenset()
    named: Collection[str] = frozenset()
    measured: Collection[str] = frozenset()


def plan(
    frames: Sequence[ResolvedFrame], states: Mapping[str, FrameState], demand: Demand
) -> list[Action]:
    """Every frame's actions, in the order of ``frames``; at least one a frame.

    Before them stands what has to be measured for them: charts, then products.
    """
    keys = _Keys(demand)
    charts: dict[str, Action] = {}
    products: dict[str, Action] = {}
    actions = []
    for resolved in frames:
        own = _worth_saying(_actions(resolved, states[resolved.frame], demand, keys))
        actions += own
        if not any(action.action == "develop" for action in own):
            continue
        if resolved.chart:
            key = key_of(resolved.chart.inputs)
            reason = f"the chart of {resolved.chart.setup}, not read before"
            charts.setdefault(key, Action(resolved.chart.frame, "measure", reason, key))
        if resolved.even:
            reason = "its products, for even: true, not read before"
            for frame, key in resolved.even.group.items():
                products.setdefault(key, Action(frame, "measure", reason, key))
    measures = (*charts.values(), *products.values())
    return [*(action for action in measures if action.key not in demand.measured), *actions]


def status(
    frames: Sequence[ResolvedFrame], states: Mapping[str, FrameState], demand: Demand
) -> dict[str, Any]:
    """``frames``: a row for each, and ``counts``: how many are in each state, stale, failed."""
    keys = _Keys(demand)
    counts = Counter[str]()
    rows = []
    for resolved in frames:
        state = states[resolved.frame]
        actions = _actions(resolved, state, demand, keys)
        stale = [action.reason for action in actions if _undoes_what_was_reached(action, state)]
        reached = state_of(state, selected=_selected(state, demand))
        current = _approved(state) or _with_key(state, actions[0].key) or state.latest
        counts.update([reached], stale=bool(stale), problem=state.problem is not None)
        rows.append(
            {
                "frame": state.name,
                "rating": state.rating,
                "setup": resolved.setup or state.setup,
                "burst": state.burst,
                "state": reached,
                "version": current.number if current else None,
                "stale": bool(stale),
                "reason": "; ".join(stale) or None,
                "round": None,
                "delivered": {name: file.version for name, file in state.delivered.items()},
                "problem": state.problem,
            }
        )
    return {
        "frames": rows,
        "counts": {name: counts[name] for name in (*get_args(State), "stale", "problem")},
    }


def state_of(state: FrameState, *, selected: bool) -> State:
    """The furthest that a frame has come."""
    if state.rating == REJECTED:
        return "rejected"
    if state.delivered:
        return "delivered"
    if state.approved_version is not None:
        return "approved"
    if state.versions:
        return "developed"
    return "select" if selected else "ingested"


def inputs_of(
    resolved: ResolvedFrame, original_digest: str, libraries: Mapping[str, str]
) -> dict[str, Any]:
    """All that decides a version's pixels; ``hashing.key_of`` of it is the version's key."""
    inputs: dict[str, Any] = {
        "original": original_digest,
        "steps": [_step_inputs(step) for step in resolved.steps],
        "libraries": dict(libraries),
    }
    if resolved.chart:
        inputs["chart"] = resolved.chart.inputs
    if resolved.even:
        inputs["even"] = _even_inputs(resolved.even)
    return inputs


def delivery_inputs(
    delivery: ResolvedDelivery, frame: str, version_key: str, encoders: Mapping[str, str]
) -> dict[str, Any]:
    """All that decides a delivered file; ``hashing.key_of`` of it is the file's key."""
    return {
        "version": version_key,
        "settings": delivery.settings,
        "metadata": delivery.metadata,
        "file": delivery.files[frame],
        "libraries": dict(encoders),
    }


def _even_inputs(even: ResolvedEven) -> dict[str, Any]:
    return {"own": even.own, "group": sorted(even.group.values())}


def _step_inputs(step: ResolvedStep) -> dict[str, Any]:
    return {
        "step": step.step,
        "version": step.version,
        "parameters": step.parameters,
        "files": step.files,
    }


class _Keys:
    """The keys of one plan, equal to ``hashing.key_of`` of the inputs.

    Frames of one job share most of their steps and settings, so the canonical form of each is made
    once and put together as text: the outer keys are written in their sorted order.
    """

    def __init__(self, demand: Demand) -> None:
        self._libraries = canonical_json(demand.libraries)
        self._encoders = canonical_json(demand.encoders)
        self._known: dict[int, bytes] = {}

    def version(self, resolved: ResolvedFrame, original_digest: str) -> str:
        steps = b",".join(self._canonical(step) for step in resolved.steps)
        measured = b""
        if resolved.chart:
            measured = b'"chart":%b,' % self._canonical(resolved.chart.inputs)
        if resolved.even:
            measured += b'"even":%b,' % canonical_json(_even_inputs(resolved.even))
        return _digest(
            b'{%b"libraries":%b,"original":%b,"steps":[%b]}',
            measured,
            self._libraries,
            canonical_json(original_digest),
            steps,
        )

    def delivery(self, delivery: ResolvedDelivery, frame: str, version_key: str) -> str:
        return _digest(
            b'{"file":%b,"libraries":%b,"metadata":%b,"settings":%b,"version":%b}',
            canonical_json(delivery.files[frame]),
            self._encoders,
            self._canonical(delivery.metadata),
            self._canonical(delivery.settings),
            canonical_json(version_key),
        )

    def _canonical(self, part: ResolvedStep | Mapping[str, Any]) -> bytes:
        # the plan's arguments hold every part until it is done, so that no id is used twice
        known = self._known.get(id(part))
        if known is None:
            value = _step_inputs(part) if isinstance(part, ResolvedStep) else part
            known = self._known[id(part)] = canonical_json(value)
        return known


def _digest(form: bytes, *parts: bytes) -> str:
    return hashlib.sha256(form % parts).hexdigest()


def _actions(
    resolved: ResolvedFrame, state: FrameState, demand: Demand, keys: _Keys
) -> list[Action]:
    """A frame's actions, the one for its master first."""
    if _selected(state, demand):
        master = _master(resolved, state, demand, keys.version(resolved, state.original.digest))
        return [master, *_deliveries(state, demand, keys, master)]
    why = "rejected" if state.rating == REJECTED else f"not a select (rating {state.rating})"
    key, number = (state.latest.key, state.latest.number) if state.latest else ("", None)
    left = [
        _left_behind(state, delivery.name)
        for delivery in demand.deliveries
        if delivery.name in state.delivered
    ]
    return [Action(state.name, "nothing", why, key, number), *left]


def _worth_saying(actions: list[Action]) -> list[Action]:
    """``nothing`` is said of a frame only where there is nothing else to say."""
    return actions[1:] if len(actions) > 1 and actions[0].action == "nothing" else actions


def _master(resolved: ResolvedFrame, state: FrameState, demand: Demand, key: str) -> Action:
    """What the recipe's version of a frame needs."""
    asked, approved, latest = _with_key(state, key), _approved(state), state.latest
    free = approved in (None, asked) or (state.name in demand.named and not demand.deliveries)

    def since(version: Version) -> str:
        inputs = inputs_of(resolved, state.original.digest, demand.libraries)
        return changes.in_words(changes.of_version(version.inputs, inputs, resolved))

    if asked is not None:
        if asked.master.path in demand.missing and free:
            reason = f"{asked.master.path} is not there as it was recorded"
            return Action(state.name, "develop", _again(reason, state), key, asked.number)
        if approved is not None and approved is not asked:
            reason = f"v{asked.number} waits for approval; v{approved.number} is the approved one"
            return Action(state.name, "wait", reason, key, asked.number)
        return Action(state.name, "nothing", f"v{asked.number} is current", key, asked.number)
    if approved is not None and not free:
        reason = f"{since(approved)}, since v{approved.number} was approved"
        return Action(state.name, "stale", reason, key, approved.number)
    number, reason = (1, "first version") if latest is None else (latest.number + 1, since(latest))
    return Action(state.name, "develop", _again(reason, state), key, number)


def _deliveries(state: FrameState, demand: Demand, keys: _Keys, master: Action) -> Iterator[Action]:
    """What the deliveries need of a select; they carry the approved version where there is one."""
    approved = _approved(state)
    number, version_key = (
        (approved.number, approved.key) if approved else (master.version, master.key)
    )
    for delivery in demand.deliveries:
        before = state.delivered.get(delivery.name)
        if state.name not in delivery.files:
            if before is not None:
                yield _left_behind(state, delivery.name)
            continue
        key = keys.delivery(delivery, state.name, version_key)
        if before is None:
            reason = "not delivered before"
        elif before.key != key:
            inputs = delivery_inputs(delivery, state.name, version_key, demand.encoders)
            listed = changes.of_delivery(before.inputs, inputs, delivery)
            if before.version != number:
                listed.insert(0, f"v{before.version} -> v{number}")
            reason = changes.in_words(listed)
        elif before.artifact.path in demand.missing:
            reason = f"{before.artifact.path} is not there as it was recorded"
        else:
            continue
        kind: ActionKind = "deliver"
        if approved and master.key != approved.key and approved.master.path in demand.missing:
            kind = "wait"
            reason = (
                f"{approved.master.path} is not there as it was recorded, and the recipe that made"
                f" it has changed: put the file back, or approve another version ({reason})"
            )
        yield Action(state.name, kind, reason, key, number, delivery.name)


def _left_behind(state: FrameState, delivery: str) -> Action:
    file = state.delivered[delivery]
    reason = f"no longer part of {delivery}, which still holds v{file.version}"
    return Action(state.name, "stale", reason, file.key, file.version, delivery)


def _undoes_what_was_reached(action: Action, state: FrameState) -> bool:
    match action.action:
        case "stale" | "wait":
            return True
        case "develop":
            return bool(state.versions)
        case "deliver":
            return action.delivery in state.delivered
        case _:
            return False


def _again(reason: str, state: FrameState) -> str:
    return f"{reason} (failed last time: {state.problem})" if state.problem else reason


def _selected(state: FrameState, demand: Demand) -> bool:
    """Whether a frame is to be finished: a select, or one that a delivery asks for by name."""
    return state.rating != REJECTED and (
        state.name in demand.selects
        or any(state.name in delivery.files for delivery in demand.deliveries)
    )


def _approved(state: FrameState) -> Version | None:
    number = state.approved_version
    return next((version for version in state.versions if version.number == number), None)


def _with_key(state: FrameState, key: str) -> Version | None:
    return next((version for version in state.versions if version.key == key), None)
