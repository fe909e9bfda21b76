"""Where every frame stands, what is stale, and what a person or Safelight has to do next, in words.

Pure, as the plan is. A state never goes backwards, except to the retoucher: from a hand-off on it
is ``at-retouch``, and then ``retouched`` until a version with the retouch in it is approved or
delivered. ``stale`` says that what was reached is not what is asked for now.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from pipeline.plan import (
    Demand,
    Keys,
    actions_of,
    approved_of,
    is_selected,
    to_hand_off,
    with_key,
)
from pipeline.records import REJECTED, Action, FrameState, Request, ResolvedFrame, State
from pipeline.rounds import Retouch, retouch_of

URGENCY = ("failed", "overdue", "settle", "hand off", "run", "approve", "wait", "deliver", "done")
"""What has to be done next with a frame, the most pressing first."""


def status(
    frames: Sequence[ResolvedFrame], states: Mapping[str, FrameState], demand: Demand
) -> dict[str, Any]:
    """``frames``: a row for each, and ``counts``: how many are in each state, stale, failed.

    ``next`` of a row is what has to be done, in words, ``step`` the same as one of ``URGENCY``.
    """
    keys = Keys(demand)
    counts = Counter[str]()
    rows = []
    for resolved in frames:
        state = states[resolved.frame]
        retouch = retouch_of(state.trips)
        actions = actions_of(resolved, state, demand, keys)
        undone = [action for action in actions if _undoes(action, state, retouch)]
        stale = [action.reason for action in undone]
        reopened = [action.reason for action in undone if action.delivery is None]
        reached = state_of(state, selected=is_selected(state, demand))
        current = approved_of(state) or with_key(state, actions[0].key) or state.latest
        overdue = is_overdue(retouch, demand.today)
        step, words = _Next(resolved, state, demand, actions, retouch).step()
        counts.update(
            [reached], stale=bool(stale), problem=state.problem is not None, overdue=overdue
        )
        rows.append(
            {
                "frame": state.name,
                "rating": state.rating,
                "setup": resolved.setup or state.setup,
                "burst": state.burst,
                "state": reached,
                "version": current.number if current else None,
                "stale": bool(stale),
                "reason": "; ".join(dict.fromkeys(stale)) or None,
                "round": _round(retouch),
                "delivered": {name: file.version for name, file in state.delivered.items()},
                "problem": state.problem,
                "approved": _approved(state, reopened, retouch),
                "retouch": _retouch(resolved, state, demand, retouch),
                "step": step,
                "next": words,
            }
        )
    names = (*get_args(State), "stale", "problem", "overdue")
    return {"frames": rows, "counts": {name: counts[name] for name in names}}


def by_urgency(rows: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Rows of ``status``, the next thing to do on top; of two alike, the one due first."""

    def due(row: Mapping[str, Any]) -> str:
        retouch = row["retouch"]
        return (retouch and retouch["due"]) or "9999"

    return sorted(rows, key=lambda row: (URGENCY.index(row["step"]), due(row), row["frame"]))


def state_of(state: FrameState, *, selected: bool) -> State:
    """The furthest that a frame has come."""
    retouch = retouch_of(state.trips)
    counting = _counting(state, retouch)
    reached: dict[State, bool] = {
        "rejected": state.rating == REJECTED,
        "at-retouch": retouch.out is not None,
        "delivered": any(file.version in counting for file in state.delivered.values()),
        "approved": state.approved_version in counting,
        "retouched": retouch.back is not None,
        "developed": bool(state.versions),
        "select": selected,
    }
    return next((name for name, so in reached.items() if so), "ingested")


def _counting(state: FrameState, retouch: Retouch) -> set[int]:
    """The versions that count as what a frame is now: those with the retouch in them."""
    if retouch.back is None:
        return {version.number for version in state.versions}
    digest = retouch.back.file.digest
    return {
        version.number
        for version in state.versions
        if version.inputs.get("retouched", {}).get("digest") == digest
    }


def is_overdue(retouch: Retouch, today: str) -> bool:
    """Whether a frame is out beyond its day."""
    due = retouch.out.handoff.due if retouch.out else None
    return bool(due and today > due)


def _undoes(action: Action, state: FrameState, retouch: Retouch) -> bool:
    """Whether an action says that what a frame has reached is not what is asked for now."""
    match action.action:
        case "stale":
            return True
        case "wait":
            return approved_of(state) is not None and retouch.out is None
        case "develop":
            return bool(state.versions)
        case "deliver":
            return action.delivery in state.delivered
        case _:
            return False


def _round(retouch: Retouch) -> int | None:
    if retouch.out:
        return retouch.out.handoff.round
    return retouch.back.of.round if retouch.back else None


def _approved(
    state: FrameState, reopened: Sequence[str], retouch: Retouch
) -> dict[str, Any] | None:
    """Whose word a version has, and what reopened it since."""
    said = state.approval
    if said is None:
        return None
    since = list(dict.fromkeys(reopened))
    if retouch.out:
        sent = retouch.out.handoff
        since.insert(0, f"handed off to {sent.to} (round {sent.round})")
    return {
        "version": state.approved_version,
        "by": said.by,
        "note": said.note,
        "at": said.at,
        "reopened": "; ".join(since) or None,
    }


def _retouch(
    resolved: ResolvedFrame, state: FrameState, demand: Demand, retouch: Retouch
) -> dict[str, Any] | None:
    """Who asked what, what is out, with whom, since when; None for a frame without any of it."""
    out, back = retouch.out, retouch.back
    needed = to_hand_off(resolved, state) if is_selected(state, demand) else None
    if not (out or back or needed is not None):
        return None
    sent = out.handoff if out else (back.of if back else None)
    asked = [*_worded(out.handoff.requests if out else (), "out", resolved)]
    done = back.handled if back else ()
    asked += _worded(done, "back", resolved)
    carried = [(row["what"], row["where"]) for row in asked]
    asked += [
        row
        for row in _worded(needed or (), "to hand off", resolved)
        if (row["what"], row["where"]) not in carried
    ]
    return {
        "to": sent.to if sent else None,
        "since": out.handoff.at if out else None,
        "due": (out.handoff.due if out else None) or resolved.retouch.due,
        "overdue": is_overdue(retouch, demand.today),
        "requests": asked,
    }


def _worded(
    requests: Sequence[Request], stands: str, resolved: ResolvedFrame
) -> Iterator[dict[str, Any]]:
    written = {request.what: request.number for request in resolved.retouch.requests}
    for request in requests:
        origin = resolved.retouch.origins.get(f"ask[{written.get(request.what, 0) - 1}]")
        yield {
            "number": request.number,
            "what": request.what,
            "must": request.must,
            "by": request.by,
            "where": dict(request.where) if request.where else None,
            "stands": stands,
            "written": str(origin) if origin else None,
        }


@dataclass(frozen=True, slots=True)
class _Next:
    """Finds the next step with one frame: one of ``URGENCY``, and in words."""

    resolved: ResolvedFrame
    state: FrameState
    demand: Demand
    actions: Sequence[Action]
    retouch: Retouch

    def step(self) -> tuple[str, str]:
        """The first that applies."""
        return self._with_the_retoucher() or self._hindered() or self._here()

    def _hindered(self) -> tuple[str, str] | None:
        name = self.state.name
        if self.state.problem:
            return "failed", "put right what failed, then safelight run"
        if not is_selected(self.state, self.demand):
            return self._left_behind() or ("done", "nothing, unless it is rated as a select")
        if self.actions[0].action == "stale" and (self.retouch.out or self.retouch.back):
            carry = "" if self.retouch.out else ", --carry"
            return "settle", f"safelight settle {name} with --keep{carry} or --again"
        if to_hand_off(self.resolved, self.state) is not None:
            return "hand off", f"safelight handoff {name} --to NAME"
        if self.actions[0].action == "develop":
            return "run", "safelight run"
        return None

    def _with_the_retoucher(self) -> tuple[str, str] | None:
        if self.retouch.out is None:
            return None
        name, sent = self.state.name, self.retouch.out.handoff
        if self.state.rating == REJECTED:
            return "settle", f"it is rejected and still with {sent.to}: safelight withdraw {name}"
        if self.actions[0].action == "stale":
            return None
        if is_overdue(self.retouch, self.demand.today):
            return "overdue", f"was due {sent.due}: ask {sent.to}, then safelight takeback FILE"
        due = f" by {sent.due}" if sent.due else ""
        return "wait", f"comes back from {sent.to}{due}; then safelight takeback FILE"

    def _here(self) -> tuple[str, str]:
        name, master = self.state.name, self.actions[0]
        if master.action == "stale":
            return "run", f"safelight run {name}, then approve it; or take the change back"
        reached = state_of(self.state, selected=True)
        if master.action == "wait" or reached == "retouched":
            return "approve", f"look at v{master.version}, then safelight approve {name}"
        asked = {
            a.delivery: a.version for a in self.actions if a.delivery and a.action == "deliver"
        }
        if asked or reached != "delivered":
            files = self.state.delivered.items()
            older = [
                f"{n} has v{f.version}" for n, f in files if asked.get(n) not in (None, f.version)
            ]
            carried = f": {', '.join(older)}" if older else ""
            return "deliver", f"safelight deliver {' '.join(asked) or 'NAME'}{carried}"
        return self._left_behind() or ("done", "nothing: it is what is asked for")

    def _left_behind(self) -> tuple[str, str] | None:
        """What a person does with delivered files that are in no delivery any more."""
        left = [a.delivery for a in self.actions if a.action == "stale" and a.delivery]
        if not left:
            return None
        files = [self.state.delivered[name].artifact.path for name in left]
        there = [path for path in files if path not in self.demand.missing]
        delete = f"delete {' and '.join(there)}, then " if there else ""
        return "settle", f"{delete}safelight deliver {' '.join(left)}"
