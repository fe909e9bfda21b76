"""How far the same product drifts: from frame to frame of a setup, and from setup to setup."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.kernels.difference import delta_e_2000
from pipeline.kernels.even import light_shift
from pipeline.kernels.spaces import D65, Float64
from pipeline.kernels.temperature import KELVIN_RANGE, cct_of_xy, xy_from_cct
from pipeline.proof.compare import lab_tuple
from pipeline.proof.records import Drift, Measured, Member, Suggestion

FEWEST = 3
"""Frames among which one can stand out; of two that differ, neither is the odd one."""
DEVIATIONS = 3.0
NORMAL = 1.4826
"""What turns a median absolute deviation into a standard deviation (of a normal distribution)."""


ENOUGH = 0.5
"""ΔE00 that a suggestion may leave, or as much as the group scatters by itself: about what is seen
side by side (Paravina et al. 2015 found half of observers to see 0.8). Ours."""


def drifts(files: Sequence[Measured], *, stops_shown: float = 1.0) -> tuple[Drift, ...]:
    """The drift of every product, within one delivery and one rendering at a time.

    First across the frames of each setup, then across setups. A frame stands out where it lies
    beyond the product's tolerance from the group's middle and beyond ``DEVIATIONS`` robust standard
    deviations of the group's distances. ``stops_shown`` is how many stops of light in the picture
    a stop of exposure makes at the product's tone: the slope of the look's curve there.
    """
    groups: dict[tuple[str, str, str], dict[str | None, list[tuple[Measured, int]]]]
    groups = defaultdict(lambda: defaultdict(list))
    for measured in files:
        file = measured.file
        for place, product in enumerate(measured.products):
            key = (product.difference.name, file.delivery, file.rendering)
            groups[key][file.setup].append((measured, place))
    found = []
    for (product_name, delivery, _), setups in groups.items():
        middles: dict[str, Float64] = {}
        tolerances = []
        for setup, members in setups.items():
            labs = np.array([m.products[place].difference.lab for m, place in members])
            tolerance = min(m.products[place].tolerance for m, place in members)
            kelvins = [m.file.kelvin for m, _ in members]
            names = [m.file.frame for m, _ in members]
            middles[setup or "no setup"] = np.median(labs, axis=0)
            tolerances.append(tolerance)
            if len(members) > 1:
                found.append(
                    _drift(
                        (product_name, delivery, setup, False),
                        names,
                        labs,
                        tolerance,
                        kelvins,
                        stops_shown,
                    )
                )
        if len(middles) > 1:
            found.append(
                _drift(
                    (product_name, delivery, None, True),
                    list(middles),
                    np.array(list(middles.values())),
                    min(tolerances),
                    [None] * len(middles),
                    stops_shown,
                )
            )
    return tuple(found)


def strays(labs: Float64, tolerance: float) -> list[bool]:
    """Which colours, (n, 3), stand out from the rest: see ``drifts``."""
    distances = delta_e_2000(labs, np.median(labs, axis=0))
    typical = float(np.median(distances))
    deviation = NORMAL * float(np.median(np.abs(distances - typical)))
    far = max(tolerance, typical + DEVIATIONS * deviation)
    return [len(labs) >= FEWEST and float(distance) > far for distance in distances]


def _drift(
    group: tuple[str, str, str | None, bool],
    names: Sequence[str],
    labs: Float64,
    tolerance: float,
    kelvins: Sequence[float | None],
    stops_shown: float,
) -> Drift:
    middle = np.median(labs, axis=0)
    distances = delta_e_2000(labs, middle)
    typical = float(np.median(distances))
    pairs = delta_e_2000(labs[:, None], labs[None])
    first, second = np.unravel_index(int(np.argmax(pairs)), pairs.shape)
    enough = max(ENOUGH, typical)
    members = []
    each = zip(names, labs, distances, strays(labs, tolerance), kelvins, strict=True)
    for name, lab, distance, out, kelvin in each:
        members.append(
            Member(
                name=name,
                lab=lab_tuple(lab),
                de00=float(distance),
                stands_out=out,
                suggestion=suggestion(lab, middle, kelvin, stops_shown, enough) if out else None,
            )
        )
    product, delivery, setup, across = group
    return Drift(
        product=product,
        delivery=delivery,
        setup=setup,
        across_setups=across,
        middle=lab_tuple(middle),
        mean=float(distances.mean()),
        largest=float(pairs.max()),
        between=(names[int(first)], names[int(second)]),
        tolerance=tolerance,
        members=tuple(members),
    )


def suggestion(
    lab: Float64,
    wanted: Float64,
    kelvin: float | None = None,
    stops_shown: float = 1.0,
    enough: float = ENOUGH,
) -> Suggestion | None:
    """The change of exposure and balance that takes a colour to the wanted one.

    The simplest that leaves at most ``enough`` ΔE00: exposure alone, else balance alone, else both.
    None where the colours say nothing about light. ``kelvin`` is the present balance's.
    """
    white = D65 if kelvin is None else xy_from_cct(float(np.clip(kelvin, *KELVIN_RANGE)))
    for exposure, balance in ((True, False), (False, True), (True, True)):
        try:
            shift = light_shift(lab, wanted, white, exposure=exposure, balance=balance)
        except ValueError:
            return None
        remaining = float(delta_e_2000(wanted, shift.lab))
        if remaining <= enough:
            break
    new = None
    if kelvin is not None:
        new = 1e6 / (1e6 / cct_of_xy(white)[0] + shift.mired)
    return Suggestion(shift.stops / stops_shown, shift.mired, shift.duv, remaining, new)


def standing_out(found: Sequence[Drift]) -> Mapping[str, tuple[str, ...]]:
    """The frames that stand out, each with the products by which it does."""
    named: dict[str, list[str]] = defaultdict(list)
    for drift in found:
        for member in drift.members:
            if member.stands_out and not drift.across_setups:
                named[member.name].append(drift.product)
    return {frame: tuple(dict.fromkeys(products)) for frame, products in named.items()}
