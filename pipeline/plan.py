"""Decides what has to be done to every frame, with a key and a reason in words; does none of it.

Pure: compares what the recipe asks for with what the manifest knows; opens nothing. The rules:

* A version is current while its key is what the recipe asks for, however old it is: a change that
  is taken back leads to the version that was made before, and nothing is made twice.
* An approved version is what gets delivered until a person approves another one. When its inputs
  change, the frame turns stale and nothing is made, unless the frame is named: then the new version
  is developed, and waits for approval.
* From a hand-off on, the retoucher's file stands for all that comes before the finish stage. What
  would change it makes the frame stale, and only a person settles that; naming it does not.
* A frame that is out, that still has to go out, or whose retouch is stale is not delivered, unless
  a person approved a version of it.
* All that one plan makes of a frame is of one version.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from pipeline import changes
from pipeline.hashing import canonical_json, key_of
from pipeline.moments import day_of
from pipeline.records import (
    REJECTED,
    Action,
    ActionKind,
    FrameState,
    Request,
    ResolvedDelivery,
    ResolvedEven,
    ResolvedFrame,
    ResolvedStep,
    Version,
)
from pipeline.rounds import Away, Back, Retouch, open_requests, retouch_of


@dataclass(frozen=True, slots=True)
class Demand:
    """What is asked of the job.

    ``selects`` are the frames to finish. ``libraries`` are the versions of everything that makes a
    master's pixels, by a name for the person, the fused pass included; ``encoders`` of what makes
    a delivered file from a master. ``missing`` are the paths of masters and delivered files that
    are not on disk as they were recorded. ``named`` are the frames that a person named, which
    overrules an earlier approval unless deliveries are asked for: those carry what was approved.
    ``measured`` are the keys of the charts and products that were read before. ``today`` is the
    day that it is, ISO 8601. ``recalled`` are frames that are planned as if they were not out,
    because they go out anew.
    """

    selects: Collection[str]
    libraries: Mapping[str, str]
    encoders: Mapping[str, str] = field(default_factory=dict)
    deliveries: Sequence[ResolvedDelivery] = ()
    missing: Collection[str] = frozenset()
    named: Collection[str] = frozenset()
    measured: Collection[str] = frozenset()
    today: str = ""
    recalled: Collection[str] = frozenset()


def plan(
    frames: Sequence[ResolvedFrame], states: Mapping[str, FrameState], demand: Demand
) -> list[Action]:
    """Every frame's actions, in the order of ``frames``; at least one a frame.

    Before them stands what has to be measured for them: charts, then products.
    """
    keys = Keys(demand)
    developed = []
    actions = []
    for resolved in frames:
        state = states[resolved.frame]
        own = _worth_saying(actions_of(resolved, state, demand, keys))
        actions += own
        # what the retoucher sent back needs no reading
        if retouch_of(state.trips).back is None and any(a.action == "develop" for a in own):
            developed.append(resolved)
    return [*measures(developed, demand), *actions]


def measures(frames: Sequence[ResolvedFrame], demand: Demand) -> list[Action]:
    """What has to be measured before frames are developed: charts, then products."""
    charts: dict[str, Action] = {}
    products: dict[str, Action] = {}
    for resolved in frames:
        if resolved.chart:
            key = key_of(resolved.chart.inputs)
            reason = f"the chart of {resolved.chart.setup}, not read before"
            charts.setdefault(key, Action(resolved.chart.frame, "measure", reason, key))
        if resolved.even:
            reason = "its products, for even: true, not read before"
            for frame, key in resolved.even.group.items():
                products.setdefault(key, Action(frame, "measure", reason, key))
    wanted = (*charts.values(), *products.values())
    return [action for action in wanted if action.key not in demand.measured]


def inputs_of(
    resolved: ResolvedFrame,
    original_digest: str,
    libraries: Mapping[str, str],
    back: Back | None = None,
) -> dict[str, Any]:
    """All that decides a version's pixels; ``hashing.key_of`` of it is the version's key.

    Where the retoucher's file is ``back``, that and the finish stage decide them.
    """
    steps = resolved.steps if back is None else finish_of(resolved)
    inputs: dict[str, Any] = {
        "original": original_digest,
        "steps": [_step_inputs(step) for step in steps],
        "libraries": dict(libraries),
    }
    if back is not None:
        inputs["retouched"] = {"digest": back.file.digest, "space": back.space}
        return inputs
    if resolved.chart:
        inputs["chart"] = resolved.chart.inputs
    if resolved.even:
        inputs["even"] = _even_inputs(resolved.even)
    if resolved.follows:
        inputs["follows"] = dict(resolved.follows)
    return inputs


def sent_inputs(resolved: ResolvedFrame, original_digest: str) -> dict[str, Any]:
    """All that a person decides of the pixels that a retoucher gets.

    Not the versions of libraries: another one makes nobody's retouch stale.
    """
    unfinished = replace(resolved, steps=_sent_steps(resolved))
    inputs = inputs_of(unfinished, original_digest, {})
    if "chart" in inputs:
        inputs["chart"] = {key: v for key, v in inputs["chart"].items() if key != "libraries"}
    if "follows" in inputs:
        followed = inputs["follows"].items()
        inputs["follows"] = {name: known["original"] for name, known in followed}
    return inputs


def finish_of(resolved: ResolvedFrame) -> tuple[ResolvedStep, ...]:
    """The steps of the finish stage."""
    return tuple(step for step in resolved.steps if step.stage == "finish")


def _sent_steps(resolved: ResolvedFrame) -> tuple[ResolvedStep, ...]:
    """The steps that decide what is sent: all but the finish stage, and that too where a colour is
    measured through it."""
    measured = any(step.stage == "hold" or step.step == "match" for step in resolved.steps)
    return tuple(step for step in resolved.steps if measured or step.stage != "finish")


def changed_since(
    resolved: ResolvedFrame, state: FrameState, sent: Away | Back | None
) -> str | None:
    """What changed, in words, since a frame was sent or last decided about; None for nothing."""
    if sent is None:
        return None
    now = sent_inputs(resolved, state.original.digest)
    if key_of(now) in sent.keys:
        return None
    unfinished = replace(resolved, steps=_sent_steps(resolved))
    return changes.in_words(changes.of_version(sent.inputs, now, unfinished))


def to_hand_off(resolved: ResolvedFrame, state: FrameState) -> tuple[Request, ...] | None:
    """The requests of a frame that no round has carried yet; None where it need not go out.

    Those that were open when a version was approved went without; a recipe that sends every select
    sends it without requests too.
    """
    retouch = retouch_of(state.trips)
    handled = retouch.back.handled if retouch.back else ()
    waived = state.approval.waived if state.approval else ()
    asked = open_requests(resolved.retouch.requests, (*handled, *waived))
    never = retouch.back is None and state.approval is None
    return asked if asked or (resolved.retouch.always and never) else None


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


class Keys:
    """The keys of one plan, equal to ``hashing.key_of`` of the inputs.

    Frames of one job share most of their steps and settings, so the canonical form of each is made
    once and put together as text: the outer keys are written in their sorted order.
    """

    def __init__(self, demand: Demand) -> None:
        self._made_by = demand.libraries
        self._libraries = canonical_json(demand.libraries)
        self._encoders = canonical_json(demand.encoders)
        self._known: dict[int, bytes] = {}

    def version(
        self, resolved: ResolvedFrame, original_digest: str, back: Back | None = None
    ) -> str:
        if back is not None:
            return key_of(inputs_of(resolved, original_digest, self._made_by, back))
        steps = b",".join(self._canonical(step) for step in resolved.steps)
        measured = b""
        if resolved.chart:
            measured = b'"chart":%b,' % self._canonical(resolved.chart.inputs)
        if resolved.even:
            measured += b'"even":%b,' % canonical_json(_even_inputs(resolved.even))
        if resolved.follows:
            measured += b'"follows":%b,' % canonical_json(dict(resolved.follows))
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


def actions_of(
    resolved: ResolvedFrame, state: FrameState, demand: Demand, keys: Keys
) -> list[Action]:
    """A frame's actions, the one for its master first."""
    if is_selected(state, demand):
        retouch = retouch_of(state.trips)
        if state.name in demand.recalled:
            retouch = replace(retouch, out=None)
        master = _master(resolved, state, demand, keys, retouch)
        waits = None
        if approved_of(state) is None:
            waits = _retouch_word(resolved, state, retouch)
        return [master, *_deliveries(state, demand, keys, master, waits)]
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


def _master(
    resolved: ResolvedFrame, state: FrameState, demand: Demand, keys: Keys, retouch: Retouch
) -> Action:
    """What the recipe's version of a frame needs."""
    back = retouch.back
    key = keys.version(resolved, state.original.digest, back)
    asked, approved, latest = with_key(state, key), approved_of(state), state.latest
    word = _retouch_word(resolved, state, retouch)
    if word and (retouch.out or word[0] == "stale"):
        current = approved or asked or latest
        return Action(state.name, *word, key, current.number if current else None)
    free = approved in (None, asked) or (state.name in demand.named and not demand.deliveries)
    if asked is not None:
        kind, reason = _known_version(asked, approved, word)
        if asked.master.path in demand.missing and free:
            kind, reason = "develop", f"{asked.master.path} is not there as it was recorded"
            reason = _again(reason, state)
        return Action(state.name, kind, reason, key, asked.number)

    def since(version: Version) -> str:
        inputs = inputs_of(resolved, state.original.digest, demand.libraries, back)
        if version.inputs.get("retouched") != inputs.get("retouched"):
            return _made_from(back)
        finish = replace(resolved, steps=finish_of(resolved)) if back else resolved
        return changes.in_words(changes.of_version(version.inputs, inputs, finish))

    if approved is not None and not free:
        reason = f"{since(approved)}, since v{approved.number} was approved"
        return Action(state.name, "stale", reason, key, approved.number)
    number, reason = (1, "first version") if latest is None else (latest.number + 1, since(latest))
    return Action(state.name, "develop", _again(reason, state), key, number)


def _known_version(
    asked: Version, approved: Version | None, word: tuple[ActionKind, str] | None
) -> tuple[ActionKind, str]:
    """What is to be said where the version that the recipe asks for was made before."""
    if approved is not None and approved is not asked:
        return "wait", f"v{asked.number} waits for approval; v{approved.number} is the approved one"
    return word or ("nothing", f"v{asked.number} is current")


def _made_from(back: Back | None) -> str:
    """Why a version is made from another file than the one before it."""
    if back is None:
        return "its retouch is set aside"
    by = f"retouched by {back.of.to}, round {back.of.round}"
    return f"{by}, carried onto the new look" if back.carried else by


def _retouch_word(
    resolved: ResolvedFrame, state: FrameState, retouch: Retouch
) -> tuple[ActionKind, str] | None:
    """What the round trip has to say of a frame before anything is delivered of it."""
    changed = changed_since(resolved, state, retouch.out or retouch.back)
    if retouch.out:
        sent = retouch.out.handoff
        if changed:
            return "stale", f"{changed}, since it was handed off to {sent.to} (round {sent.round})"
        due = f", due {sent.due}" if sent.due else ""
        return "wait", f"with {sent.to} since {day_of(sent.at)}{due} (round {sent.round})"
    if retouch.back and changed:
        of = retouch.back.of
        return "stale", f"{changed}, since {of.to} retouched it (round {of.round})"
    requests = to_hand_off(resolved, state)
    if requests is None:
        return None
    asked = "; ".join(f'"{request.what}"' for request in requests)
    return "wait", f"to be handed off{': ' if asked else ''}{asked}"


def _deliveries(
    state: FrameState,
    demand: Demand,
    keys: Keys,
    master: Action,
    waits: tuple[ActionKind, str] | None,
) -> Iterator[Action]:
    """What the deliveries need of a select; they carry the approved version where there is one.

    ``waits`` is what the round trip has to say, which keeps an unapproved frame back.
    """
    approved = approved_of(state)
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
        if waits:
            kind, reason = "wait", waits[1]
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


def _again(reason: str, state: FrameState) -> str:
    return f"{reason} (failed last time: {state.problem})" if state.problem else reason


def is_selected(state: FrameState, demand: Demand) -> bool:
    """Whether a frame is to be finished: a select, or one that a delivery asks for by name."""
    return state.rating != REJECTED and (
        state.name in demand.selects
        or any(state.name in delivery.files for delivery in demand.deliveries)
    )


def approved_of(state: FrameState) -> Version | None:
    """The version that a person approved last."""
    number = state.approved_version
    return next((version for version in state.versions if version.number == number), None)


def with_key(state: FrameState, key: str) -> Version | None:
    """The version of a key."""
    return next((version for version in state.versions if version.key == key), None)
