"""Makes the card: draws every shot, exposes the sensor, writes the DNGs and their truth.

The only part of the demo shoot that touches the disk. Frames run on threads; each has its own
random generator, so the files do not depend on how many run at once.
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import baking, sensor, spectra, view
from .dng import Camera, Capture, write_dng
from .scene import MOODS, Shot, layouts, shots
from .shapes import CHART_FIRST, LAMPS, PART_ID, PARTS, Box, Layout

SEED = 20_241_003
LATITUDE_DEG, LONGITUDE_DEG, ALTITUDE_M = 0.0231, -0.0417, 2.0
"""In mid-ocean: invented, and not to be found in anything delivered."""

MAKE, MODEL, SERIAL = "Safelight Demo", "One", "SD1-000417"
LENS = "SD 35-80mm F2.8"
BASELINE_STOPS = Fraction(6, 5)
"""The camera keeps this much room for highlights: a white of 90 % fills 0.39 of its range."""


def picture_size(megapixels: float) -> tuple[int, int]:
    """Height and width of a stored 3:2 picture, both even."""
    height = 2 * round((megapixels * 1e6 / 1.5) ** 0.5 / 2)
    return height, 2 * round(height * 1.5 / 2)


def _affordable(pixels: int) -> int:
    """How many frames may be drawn at once: a core each, and about 56 bytes a pixel."""
    import psutil

    room = int(psutil.virtual_memory().available / (56 * pixels))
    return max(1, min(os.cpu_count() or 1, room))


def camera() -> Camera:
    return Camera(
        make=MAKE,
        model=MODEL,
        serial=SERIAL,
        lens=LENS,
        black=sensor.BLACK,
        white=sensor.WHITE,
        baseline_stops=BASELINE_STOPS,
        matrix_a=spectra.colour_matrix({"A": 1.0}),
        matrix_d65=spectra.colour_matrix({"D65": 1.0}),
    )


def to_stored(upright: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Turn an upright picture the way the sensor saw it (Exif orientation 1, 6 or 8)."""
    turns = {1: 0, 6: 1, 8: -1}[orientation]
    return np.ascontiguousarray(np.rot90(upright, turns))


class _Baked:
    """Layouts with their light, each made once, by whichever thread needs it first."""

    def __init__(self, arranged: dict[str, Layout]) -> None:
        self.arranged = arranged
        self._lit: dict[str, baking.Lit] = {}
        self._locks = {name: threading.Lock() for name in arranged}

    def lit(self, name: str) -> baking.Lit:
        with self._locks[name]:
            if name not in self._lit:
                self._lit[name] = baking.bake(self.arranged[name])
            return self._lit[name]


def make_card(
    directory: Path,
    megapixels: float,
    progress: Callable[[int, int], None] | None,
    frames: Sequence[str] | None,
    workers: int | None = None,
) -> None:
    """See ``examples.shoot.make_shoot``."""
    card = Path(directory) / "card"
    truth = Path(directory) / "truth"
    card.mkdir(parents=True, exist_ok=True)
    truth.mkdir(parents=True, exist_ok=True)
    every = shots()
    known = {shot.frame for shot in every}
    unknown = [name for name in frames or () if name not in known]
    if unknown:
        raise ValueError(
            f"no such frame: {', '.join(unknown)}; there are {every[0].frame} to {every[-1].frame}"
        )
    wanted = [shot for shot in every if frames is None or shot.frame in frames]
    arranged = layouts()
    baked = _Baked(arranged)
    body = camera()
    height, width = picture_size(megapixels)
    gain = sensor.gain_map(height, width)

    def one(shot: Shot) -> dict[str, Any]:
        layout = arranged[shot.layout]
        palette = spectra.palette(layout.setup)
        size = (height, width) if shot.orientation == 1 else (width, height)
        lit = baked.lit(shot.layout)
        drawn = view.draw(shot, layout, lit, palette, size)
        generator = np.random.default_rng([SEED, int(shot.frame[2:])])
        level = MOODS[layout.setup].exposure * 2**shot.stops
        mosaic = sensor.photograph(
            to_stored(drawn.picture, shot.orientation), gain, level, shot.iso, generator
        )
        noise = sensor.noise_profile(shot.iso)
        capture = Capture(
            time=shot.time,
            exposure_s=shot.exposure_s,
            f_number=shot.f_number,
            iso=shot.iso,
            focal_length_mm=shot.focal_mm,
            orientation=shot.orientation,
            neutral=palette.neutral,
            latitude_deg=LATITUDE_DEG,
            longitude_deg=LONGITUDE_DEG,
            altitude_m=ALTITUDE_M,
            noise_scale=noise[0],
            noise_offset=noise[1],
        )
        write_dng(card / f"{shot.frame}.dng", mosaic, body, capture)
        np.savez_compressed(truth / f"{shot.frame}.npz", parts=drawn.parts)
        return _frame_truth(shot, layout, level, drawn, lit)

    records: dict[str, dict[str, Any]] = {}
    done = 0
    with ThreadPoolExecutor(workers or _affordable(height * width)) as pool:
        futures = {pool.submit(one, shot): shot for shot in wanted}
        for future in as_completed(futures):
            records[futures[future].frame] = future.result()
            done += 1
            if progress is not None:
                progress(done, len(wanted))
    document = _truth(body, (height, width), wanted, records)
    (truth / "truth.json").write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def _rounded(values: Any, digits: int = 6) -> Any:
    return np.asarray(values, np.float64).round(digits).tolist()


def _truth(
    body: Camera, size: tuple[int, int], wanted: Sequence[Shot], records: dict[str, dict[str, Any]]
) -> dict[str, Any]:
    setups = {}
    for setup, mood in MOODS.items():
        palette = spectra.palette(setup)
        light = spectra.illuminant(spectra.ILLUMINANTS[setup])
        setups[setup] = {
            "illuminant": spectra.ILLUMINANTS[setup],
            "xy": _rounded(palette.xy),
            "as_shot_neutral": _rounded(palette.neutral),
            "exposure": mood.exposure,
            "camera_rgb": {name: _rounded(rgb) for name, rgb in palette.surface.items()},
            "xyz": {
                name: _rounded(spectra.xyz(reflectance, light))
                for name, reflectance in spectra.reflectances().items()
            },
        }
    return {
        "size": {"height": size[0], "width": size[1]},
        "sensor": {
            "black": sensor.BLACK,
            "white": sensor.WHITE,
            "full_well_e": sensor.FULL_WELL_E,
            "read_noise_e": sensor.READ_NOISE_E,
            "corner_stops": sensor.CORNER_STOPS,
            "lens_sigma_px": sensor.LENS_SIGMA_PX,
            "serial": body.serial,
        },
        "dust": [
            {"x": speck.x, "y": speck.y, "radius": speck.radius, "depth": speck.depth}
            for speck in sensor.DUST
        ],
        "wavelengths_nm": _rounded(spectra.WAVELENGTHS_NM, 1),
        "surfaces": {
            name: {
                "reflectance": _rounded(reflectance, 5),
                "lab_d50": _rounded(spectra.lab_d50(reflectance), 3),
            }
            for name, reflectance in spectra.reflectances().items()
        },
        "products": {
            lamp: {"surface": enamel, "part": PART_ID[lamp, "shade"]}
            for lamp, enamel in LAMPS.items()
        },
        "parts": {
            str(i): {"object": part.object, "part": part.part, "surface": part.surface}
            for i, part in enumerate(PARTS)
        },
        "setups": setups,
        "frames": {shot.frame: records[shot.frame] for shot in wanted},
    }


def _frame_truth(
    shot: Shot, layout: Layout, level: float, drawn: view.View, lit: baking.Lit
) -> dict[str, Any]:
    height, width = drawn.parts.shape
    counts = np.bincount(drawn.parts.ravel(), minlength=len(PARTS))
    record: dict[str, Any] = {
        "setup": layout.setup,
        "layout": shot.layout,
        "role": shot.role,
        "time": shot.time.isoformat(timespec="milliseconds"),
        "orientation": shot.orientation,
        "height": height,
        "width": width,
        "xy": _rounded(spectra.palette(layout.setup).xy),
        "exposure": level,
        "stops": shot.stops,
        "exposure_s": float(shot.exposure_s),
        "iso": shot.iso,
        "parts": {str(i): int(n) for i, n in enumerate(counts) if n},
        "products": _product_spots(drawn.parts),
        "objects": sorted({PARTS[i].object for i in np.flatnonzero(counts)} - {"nothing"}),
    }
    if shot.burst >= 0 and layout.figure is not None:
        middle = layout.figure.limbs[:, 0:3].mean(axis=0)
        defocus = view.softness(drawn.lens, middle, 0.06)
        motion = view.motion(layout.figure, drawn.lens, shot)
        record["burst"] = {
            "place": shot.burst,
            "defocus_sigma_px": round(defocus, 3),
            "motion_px": round(float(np.hypot(*motion)), 3),
            "blur_px": round(float(np.hypot(defocus, np.hypot(*motion) / 12**0.5)), 3),
        }
    for box, baked in zip(layout.boxes, lit.boxes, strict=True):
        if box.name == "chart":
            record["chart"] = _chart_truth(box, baked, drawn)
    return record


def _product_spots(parts: NDArray[np.uint8]) -> dict[str, Any]:
    """Three fifths of the largest circle in each lamp's shade, as shares of the picture."""
    from scipy.ndimage import distance_transform_edt

    height, width = parts.shape
    coarse = max(min(height, width) // 400, 1)
    spots = {}
    for lamp in LAMPS:
        shade = np.pad(parts[::coarse, ::coarse] == PART_ID[lamp, "shade"], 1)
        if shade.sum() < 50:
            continue
        inside = distance_transform_edt(shade)
        row, column = np.unravel_index(np.argmax(inside), inside.shape)
        centre = ((column - 0.5) * coarse / width, (row - 0.5) * coarse / height)
        radius = 0.6 * float(inside.max()) * coarse
        spots[lamp] = {
            "ellipse": {
                "centre": _rounded(centre, 4),
                "radii": _rounded((radius / width, radius / height), 4),
            }
        }
    return spots


def _chart_truth(box: Box, baked: baking.Float32, drawn: view.View) -> dict[str, Any]:
    """Corners of the chart and of each patch on the upright picture, x to the right, y down."""
    hx, hy, hz = box.half
    matrix, origin = box.pose.matrix(), np.array(box.pose.origin)

    def on_picture(u: Any, v: Any) -> Any:
        """Points of the face, u and v from 0 to 1 from its upper left corner."""
        u, v = np.broadcast_arrays(np.asarray(u, float), np.asarray(v, float))
        local = np.stack([(2 * u - 1) * hx, 2 * hy * (1 - v), np.full(u.shape, -hz)], axis=-1)
        return drawn.lens.project(local @ matrix.T + origin)[..., :2]

    patches = []
    for i in range(24):
        row, column = divmod(i, 6)
        edge = np.array([0.07, 0.93])
        u0, u1 = (column + 0.22 + edge) / 6.44
        v0, v1 = (row + 0.22 + edge) / 4.44
        patches.append(
            {
                "name": PARTS[CHART_FIRST + i].surface,
                "corners": _rounded(on_picture([u0, u1, u1, u0], [v0, v0, v1, v1]), 2),
                "illumination": round(
                    baking.face_level(baked, 4, (u0 + u1) / 2, 1 - (v0 + v1) / 2), 5
                ),
            }
        )
    return {"corners": _rounded(on_picture([0, 1, 1, 0], [0, 0, 1, 1]), 2), "patches": patches}
