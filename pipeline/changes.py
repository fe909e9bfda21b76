"""Says in words what changed between the inputs of two keys, and in which file it stands.

Pure: knows JSON-like values and records, no files. Inputs are those of ``pipeline.plan``.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.records import Origin, ResolvedChart, ResolvedDelivery, ResolvedFrame, ResolvedStep

LISTED = 3  # more changes than this are counted, not named
LONGEST_VALUE = 40
FRAMED_BY = {
    "crop": "its crop",
    "focal": "its focal point",
    "keep": "where its products are",
    "subject": "where its subject is",
}
"""What decides which part of a frame a delivery shows, in words."""
OURS = {
    "pass": "how this Safelight develops",
    "rendition": "how this Safelight makes sizes",
    "metadata": "what this Safelight writes of a picture",
}
"""What a new release may do otherwise, by what stands among the libraries for it, in words."""


def in_words(changes: Sequence[str]) -> str:
    """The first few changes as one clause: "a; b; c and 4 more"."""
    rest = len(changes) - LISTED
    return "; ".join(changes[:LISTED]) + (f" and {rest} more" if rest > 0 else "")


def of_version(
    before: Mapping[str, Any], after: Mapping[str, Any], resolved: ResolvedFrame
) -> list[str]:
    """What changed between the inputs of two versions; ``resolved`` is what gave ``after``."""
    changes = []
    if before["original"] != after["original"]:
        changes.append("the original has other content")
    # edits of one entry share its mask, and a change of it is said once
    changes += dict.fromkeys(_of_steps(before["steps"], after["steps"], resolved.steps))
    if resolved.chart and "chart" in before:
        changes += _of_chart(before["chart"], after["chart"], resolved.chart)
    if before.get("even") != after.get("even"):
        changes.append("what it is evened with changed (even: true in the recipe)")
    if before.get("follows") != after.get("follows"):
        changes.append("what its masks follow changed")
    changes += _of_libraries(before["libraries"], after["libraries"])
    return changes


def of_delivery(
    before: Mapping[str, Any], after: Mapping[str, Any], delivery: ResolvedDelivery
) -> list[str]:
    """What changed between the inputs of two delivered files, other than the version carried."""
    changes = []
    for part, prefix in (("settings", ""), ("metadata", "metadata"), ("file", "file")):
        for path, old, new in _differences(before[part], after[part], prefix):
            if path == "space.digest":  # a person knows the file
                profile = after["settings"]["space"]["profile"]
                if before["settings"]["space"]["profile"] == profile:
                    changes.append(f"{profile} has other content")
                continue
            if path == "file.path":  # of other frames too: where they stand in the order
                changes.append(f"name {_file_name(old)} -> {_file_name(new)}")
                continue
            if path.startswith("file.framing"):
                continue
            called = path.removeprefix(f"{prefix}.")
            changes.append(_changed(called, old, new) + _place(delivery.origins, path))
    framing = [inputs["file"].get("framing", {}) for inputs in (before, after)]
    ways = {path.partition(".")[0].partition("[")[0] for path, *_ in _differences(*framing)}
    changes += [f"{FRAMED_BY.get(way, way)} changed" for way in sorted(ways)]
    changes += _of_libraries(before["libraries"], after["libraries"])
    return changes


def _file_name(path: object) -> str:
    return str(path).rpartition("/")[2]


def _of_steps(
    before: Sequence[Mapping[str, Any]],
    after: Sequence[Mapping[str, Any]],
    steps: Sequence[ResolvedStep],
) -> Iterator[str]:
    """Steps are told apart by their kind, and where a kind occurs twice, by which one it is.

    Local edits are told apart by their kind and the name of their entry.
    """
    old = dict(zip(_numbered(before), before, strict=True))
    new = dict(zip(_numbered(after), zip(after, steps, strict=True), strict=True))
    yield from (f"{_called(identity)} removed" for identity in old if identity not in new)
    for identity, (now, step) in new.items():
        if identity not in old:
            label = _called(identity) if step.stage == "local" else step.label
            yield f"{label} added{_place(step.origins, '')}"
            continue
        was = old[identity]
        if was["version"] != now["version"]:
            yield f"{step.label} itself changed (step version {was['version']} -> {now['version']})"
        if was["parameters"].get("found") != (spots := now["parameters"].get("found")):
            yield f"{step.label}: {len(spots or ())} spots of dust found"
        for path, value, other in _differences(was["parameters"], now["parameters"]):
            if path.startswith("found"):
                continue
            place = _place(step.origins, path)
            yield _changed(_joined(step.label, path), value, other) + place
        for path, digest in now["files"].items():
            if was["files"].get(path, digest) != digest:
                yield f"{step.label}: {path} has other content"
    kept = [identity for identity in old if identity in new]
    if kept != [identity for identity in new if identity in old]:
        yield "steps in another order"


def _of_chart(
    before: Mapping[str, Any], after: Mapping[str, Any], chart: ResolvedChart
) -> Iterator[str]:
    if before["original"] != after["original"]:
        yield f"the chart of {chart.setup} is another frame{_place(chart.origins, 'frame')}"
    for path, old, new in _differences({**before, "original": None}, {**after, "original": None}):
        yield _changed(f"chart.{path}", old, new) + _place(chart.origins, path)


def _numbered(steps: Sequence[Mapping[str, Any]]) -> list[tuple[str, int | str]]:
    seen: Counter[str] = Counter()
    identities: list[tuple[str, int | str]] = []
    for step in steps:
        if "mask" in step["parameters"]:
            identities.append((step["step"], step["parameters"]["name"]))
            continue
        seen[step["step"]] += 1
        identities.append((step["step"], seen[step["step"]]))
    return identities


def _called(identity: tuple[str, int | str]) -> str:
    kind, which = identity
    return f"{which}.{kind}" if isinstance(which, str) else kind


def _of_libraries(before: Mapping[str, str], after: Mapping[str, str]) -> Iterator[str]:
    for name, old, new in _differences(before, after):
        if name in OURS:
            yield f"{OURS[name]} changed ({name} {_value(old)} -> {_value(new)})"
        else:
            yield _changed(name, old, new)


_ABSENT = object()


def _differences(before: Any, after: Any, path: str = "") -> Iterator[tuple[str, Any, Any]]:
    """(path, old, new) of every leaf that differs; ``_ABSENT`` stands for what is not there."""
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        for key in dict.fromkeys((*before, *after)):
            yield from _differences(
                before.get(key, _ABSENT), after.get(key, _ABSENT), _joined(path, key)
            )
    elif _is_list(before) and _is_list(after):
        for index in range(max(len(before), len(after))):
            yield from _differences(
                before[index] if index < len(before) else _ABSENT,
                after[index] if index < len(after) else _ABSENT,
                f"{path}[{index}]",
            )
    elif before != after or isinstance(before, bool) != isinstance(after, bool):
        yield path, before, after


def _is_list(value: object) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _joined(path: str, key: str) -> str:
    return f"{path}.{key}" if path and key and not key.startswith("[") else path + key


def _changed(path: str, old: object, new: object) -> str:
    if old is _ABSENT:
        return f"{path} added ({_value(new)})"
    if new is _ABSENT:
        return f"{path} removed ({_value(old)})"
    was, now = _value(old), _value(new)
    if _is_number(old) and _is_number(new):
        # as many decimals as the finer one, so that 1.1 beside 1.12 reads 1.10
        decimals = max(len(text.partition(".")[2]) for text in (was, now))
        was, now = (text if "e" in text else f"{float(text):.{decimals}f}" for text in (was, now))
    return f"{path} {was} -> {now}"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _value(value: object) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST_VALUE else f"{text[: LONGEST_VALUE - 1]}…"


def _place(origins: Mapping[str, Origin], path: str) -> str:
    """Where the value at ``path`` stands, or the nearest thing around it that was written."""
    while True:
        if origin := origins.get(path):
            return f" in {origin.file}" if origin.line else " by default"
        if not path:
            return ""
        path = path[: max(path.rfind("."), path.rfind("["), 0)]
