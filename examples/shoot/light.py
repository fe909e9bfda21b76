"""How light falls: soft shadows and skylight, summed over rays for points with a normal.

Compiled kernels on plain arrays. Illumination is a number, without colour: everything in a setup
is lit by one spectrum, so the colour of a matt surface is that of its reflectance alone.
"""

# ruff: noqa: PLR0912, PLR0915 - a compiled kernel's calls cost more than its length
from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from .shapes import Layout

Float64 = NDArray[np.float64]


def compiled(function: Any) -> Any:
    """Compile for threads: without the interpreter's lock, kept on disk."""
    return numba.njit(nogil=True, cache=True, error_model="numpy", fastmath=True)(function)


@compiled
def nearest_frustum(ox, oy, oz, dx, dy, dz, segments, hulls, first, last, nearest):
    """The first segment along a local ray: distance and index, or -1.

    Looks into ``hulls[first:last]``, whose rows are segments from and to, largest radius, lowest
    and highest point. Distances between 1e-6 and ``nearest`` count.
    """
    best = -1
    across = dx * dx + dz * dz + 1e-18
    along = ox * dx + oz * dz
    away = ox * ox + oz * oz
    for h in range(first, last):
        inside = along * along - across * (away - hulls[h, 2] * hulls[h, 2])
        if inside <= 0:
            continue
        inside = np.sqrt(inside)
        enter = max((-along - inside) / across, 0.0)
        leave = min((-along + inside) / across, nearest)
        if leave < enter:
            continue
        y0 = oy + enter * dy
        y1 = oy + leave * dy
        if max(y0, y1) < hulls[h, 3] or min(y0, y1) > hulls[h, 4]:
            continue
        for i in range(int(hulls[h, 0]), int(hulls[h, 1])):
            r0 = segments[i, 0]
            y0 = segments[i, 1]
            r1 = segments[i, 2]
            y1 = segments[i, 3]
            rise = y1 - y0
            if abs(rise) < 1e-6:
                if abs(dy) < 1e-12:
                    continue
                t = (y0 - oy) / dy
                if 1e-6 < t < nearest:
                    radius2 = away + 2 * t * along + t * t * across
                    if min(r0, r1) ** 2 <= radius2 <= max(r0, r1) ** 2:
                        nearest = t
                        best = i
                continue
            slope = (r1 - r0) / rise
            here = r0 + slope * (oy - y0)
            a = across - slope * slope * dy * dy
            b = along - slope * dy * here
            c = away - here * here
            root = b * b - a * c
            if root < 0 or abs(a) < 1e-14:
                continue
            root = np.sqrt(root)
            low = min(y0, y1)
            high = max(y0, y1)
            for sign in (-1.0, 1.0):
                t = (sign * root - b) / a
                if 1e-6 < t < nearest:
                    y = oy + t * dy
                    if low <= y <= high:
                        nearest = t
                        best = i
    return nearest, best


@compiled
def box_entry(ox, oy, oz, dx, dy, dz, hx, hy, hz):
    """Where a local ray enters a box of those half sizes, centred; distance and face, or -1."""
    near = -1e30
    far = 1e30
    face = -1
    for axis in range(3):
        o = ox if axis == 0 else (oy if axis == 1 else oz)
        d = dx if axis == 0 else (dy if axis == 1 else dz)
        h = hx if axis == 0 else (hy if axis == 1 else hz)
        if abs(d) < 1e-12:
            if abs(o) > h:
                return -1.0, -1
            continue
        t0 = (-h - o) / d
        t1 = (h - o) / d
        side = 2 * axis
        if t0 > t1:
            t0, t1 = t1, t0
            side += 1
        if t0 > near:
            near = t0
            face = side
        far = min(far, t1)
    if near > far or far < 1e-6 or near < 1e-6:
        return -1.0, -1
    return near, face


@compiled
def blocked(ox, oy, oz, dx, dy, dz, reach, spheres, frames, spans, segments, hulls, boxes, limbs):
    """Whether anything stands in the way of a ray within ``reach``."""
    for k in range(spheres.shape[0]):
        cx = spheres[k, 0] - ox
        cy = spheres[k, 1] - oy
        cz = spheres[k, 2] - oz
        t = cx * dx + cy * dy + cz * dz
        miss = cx * cx + cy * cy + cz * cz - t * t
        radius = spheres[k, 3]
        if miss > radius * radius or t < -radius or t > reach + radius:
            continue
        f = frames[k]
        px = ox - f[0, 3]
        py = oy - f[1, 3]
        pz = oz - f[2, 3]
        lox = f[0, 0] * px + f[1, 0] * py + f[2, 0] * pz
        loy = f[0, 1] * px + f[1, 1] * py + f[2, 1] * pz
        loz = f[0, 2] * px + f[1, 2] * py + f[2, 2] * pz
        ldx = f[0, 0] * dx + f[1, 0] * dy + f[2, 0] * dz
        ldy = f[0, 1] * dx + f[1, 1] * dy + f[2, 1] * dz
        ldz = f[0, 2] * dx + f[1, 2] * dy + f[2, 2] * dz
        if spans[k, 0] >= 0:
            _, hit = nearest_frustum(
                lox, loy, loz, ldx, ldy, ldz, segments, hulls, spans[k, 0], spans[k, 1], reach
            )
            if hit >= 0:
                return True
        else:
            t, hit = box_entry(lox, loy, loz, ldx, ldy, ldz, boxes[k, 0], boxes[k, 1], boxes[k, 2])
            if hit >= 0 and t < reach:
                return True
    if limbs.shape[0] > 0:
        # row 0 is a sphere around them all
        cx = limbs[0, 0] - ox
        cy = limbs[0, 1] - oy
        cz = limbs[0, 2] - oz
        t = cx * dx + cy * dy + cz * dz
        miss = cx * cx + cy * cy + cz * cz - t * t
        if miss > limbs[0, 6] * limbs[0, 6] or t < -limbs[0, 6]:
            return False
    for k in range(1, limbs.shape[0]):
        # a ray against a capsule of the mean radius
        bx = limbs[k, 3] - limbs[k, 0]
        by = limbs[k, 4] - limbs[k, 1]
        bz = limbs[k, 5] - limbs[k, 2]
        ax = ox - limbs[k, 0]
        ay = oy - limbs[k, 1]
        az = oz - limbs[k, 2]
        radius = 0.5 * (limbs[k, 6] + limbs[k, 7])
        bb = bx * bx + by * by + bz * bz + 1e-12
        bd = bx * dx + by * dy + bz * dz
        ab = ax * bx + ay * by + az * bz
        ad = ax * dx + ay * dy + az * dz
        # closest approach of the ray's line to the axis, the place on the axis clamped
        det = bb - bd * bd
        s = (ab - ad * bd) / det if det > 1e-12 else 0.0
        s = min(max(s, 0.0), 1.0)
        t = s * bd - ad
        if t < 1e-4 or t > reach:
            continue
        qx = ax + t * dx - s * bx
        qy = ay + t * dy - s * by
        qz = az + t * dz - s * bz
        if qx * qx + qy * qy + qz * qz < radius * radius:
            return True
    return False


@compiled
def illuminate(
    points, normals, lights, sky, floor, wall, samples, offset,
    spheres, frames, spans, segments, hulls, boxes, limbs,
):  # fmt: skip
    """Illumination (1 is a perfect diffuser at nominal exposure) of points (n, 3) with normals.

    ``lights`` rows are position, radius, intensity. ``sky`` is the radiance overhead and at the
    horizon; ``floor`` that of the ground; ``wall`` its distance (0 none) and radiance. Returns
    the part that comes from the lights and the part that comes from all around, (n, 2).
    """
    n = points.shape[0]
    result = np.zeros((n, 2), np.float32)
    golden = 0.6180339887498949
    second = 0.7548776662466927
    third = 0.5698402909980532
    for i in range(n):
        nx, ny, nz = normals[i]
        px = points[i, 0] + offset * nx
        py = points[i, 1] + offset * ny
        pz = points[i, 2] + offset * nz
        turn_a = (i * golden) % 1.0
        turn_b = (i * 0.7320508075688772) % 1.0
        direct = 0.0
        for k in range(lights.shape[0]):
            lx = lights[k, 0] - px
            ly = lights[k, 1] - py
            lz = lights[k, 2] - pz
            d = np.sqrt(lx * lx + ly * ly + lz * lz)
            lx /= d
            ly /= d
            lz /= d
            radius = lights[k, 3]
            spread = min(radius / d, 0.7)
            facing = nx * lx + ny * ly + nz * lz
            if facing <= -spread:
                continue
            # two directions across the light
            if abs(ly) < 0.9:
                ux, uy, uz = lz, 0.0, -lx
            else:
                ux, uy, uz = 0.0, -lz, ly
            m = 1 / np.sqrt(ux * ux + uy * uy + uz * uz)
            ux *= m
            uy *= m
            uz *= m
            vx = ly * uz - lz * uy
            vy = lz * ux - lx * uz
            vz = lx * uy - ly * ux
            total = 0.0
            for j in range(samples):
                a = np.sqrt(((j + turn_a) / samples) % 1.0) * radius
                b = 2 * np.pi * ((j * golden + turn_b) % 1.0)
                ca = a * np.cos(b)
                sa = a * np.sin(b)
                sx = lx * d + ca * ux + sa * vx
                sy = ly * d + ca * uy + sa * vy
                sz = lz * d + ca * uz + sa * vz
                length = np.sqrt(sx * sx + sy * sy + sz * sz)
                sx /= length
                sy /= length
                sz /= length
                cosine = nx * sx + ny * sy + nz * sz
                if cosine > 0 and not blocked(
                    px, py, pz, sx, sy, sz, length - radius,
                    spheres, frames, spans, segments, hulls, boxes, limbs,
                ):  # fmt: skip
                    total += cosine
            direct += lights[k, 4] / (d * d) * total / samples
        # all around, by the cosine
        if abs(ny) < 0.9:
            ux, uy, uz = nz, 0.0, -nx
        else:
            ux, uy, uz = 0.0, -nz, ny
        m = 1 / np.sqrt(ux * ux + uy * uy + uz * uz)
        ux *= m
        uy *= m
        uz *= m
        vx = ny * uz - nz * uy
        vy = nz * ux - nx * uz
        vz = nx * uy - ny * ux
        around = 0.0
        for j in range(samples):
            a = (j * second + turn_a) % 1.0
            b = 2 * np.pi * ((j * third + turn_b) % 1.0)
            s = np.sqrt(a)
            c = np.sqrt(1 - a)
            cb = s * np.cos(b)
            sb = s * np.sin(b)
            sx = cb * ux + sb * vx + c * nx
            sy = cb * uy + sb * vy + c * ny
            sz = cb * uz + sb * vz + c * nz
            if blocked(
                px, py, pz, sx, sy, sz, 4.0, spheres, frames, spans, segments, hulls, boxes, limbs
            ):
                around += 0.25 * floor
            elif sy < 0:
                around += floor
            elif wall[0] > 0 and sz > 0 and py + sy / sz * (wall[0] - pz) < 4.0:
                around += wall[1]
            else:
                up = np.sqrt(sy)
                around += sky[1] + (sky[0] - sky[1]) * up
        result[i, 0] = direct
        result[i, 1] = around / samples
    return result


@dataclass(frozen=True, slots=True)
class Blockers:
    """Everything that casts shadows, as the arrays that ``blocked`` takes."""

    spheres: Float64
    frames: Float64
    spans: NDArray[np.int64]
    segments: Float64
    hulls: Float64
    boxes: Float64
    limbs: Float64

    def arguments(self) -> tuple[Any, ...]:
        return (
            self.spheres,
            self.frames,
            self.spans,
            self.segments,
            self.hulls,
            self.boxes,
            self.limbs,
        )


def blockers(layout: Layout, coarse: int = 3) -> Blockers:
    """The shadow casters of a layout; profiles keep every ``coarse``-th point."""
    spheres, frames, spans, boxes, segments = [], [], [], [], []
    hulls: list[Float64] = []
    count = 0
    for lathe in layout.lathes:
        radius, low, high = lathe.bounds()
        rotation, origin = lathe.pose.matrix(), np.array(lathe.pose.origin)
        centre = rotation @ [0, (low + high) / 2, 0] + origin
        spheres.append([*centre, np.hypot(radius, (high - low) / 2)])
        frames.append(np.column_stack([rotation, origin]))
        thinned = thin(lathe.segments, coarse)
        spans.append([len(hulls), len(hulls) + len(grouped(thinned))])
        hulls.extend(grouped(thinned) + np.array([count, count, 0, 0, 0]))
        segments.append(thinned)
        count += len(thinned)
        boxes.append([0.0, 0.0, 0.0])
    for box in layout.boxes:
        rotation, origin = box.pose.matrix(), np.array(box.pose.origin)
        centre = rotation @ [0, box.half[1], 0] + origin
        spheres.append([*centre, float(np.linalg.norm(box.half))])
        frames.append(np.column_stack([rotation, centre]))
        spans.append([-1, -1])
        boxes.append(list(box.half))
    limbs = np.zeros((0, 9))
    if layout.figure is not None:
        limbs = layout.figure.limbs
        ends = np.vstack([limbs[:, 0:3], limbs[:, 3:6]])
        centre = (ends.min(axis=0) + ends.max(axis=0)) / 2
        bound = np.linalg.norm(ends - centre, axis=1).max() + limbs[:, 6:8].max()
        limbs = np.vstack([[*centre, *centre, bound, bound, 0], limbs])
    return Blockers(
        np.array(spheres, np.float64).reshape(-1, 4),
        np.array(frames, np.float64).reshape(-1, 3, 4),
        np.array(spans, np.int64).reshape(-1, 2),
        np.vstack(segments) if segments else np.zeros((0, 9)),
        np.array(hulls, np.float64).reshape(-1, 5),
        np.array(boxes, np.float64).reshape(-1, 3),
        np.ascontiguousarray(limbs, np.float64),
    )


def thin(segments: Float64, coarse: int) -> Float64:
    """Join runs of up to ``coarse`` connected segments of one part; bulbs cast no shadow."""
    joined: list[Float64] = []
    run = 0
    for segment in segments:
        last = joined[-1] if joined else None
        if (
            last is not None
            and run < coarse
            and last[8] == segment[8]
            and np.allclose(last[2:4], segment[0:2])
        ):
            last[2:4] = segment[2:4]
            run += 1
        else:
            joined.append(segment.copy())
            run = 1
    return np.array(joined)


def grouped(segments: Float64, longest: int = 8) -> Float64:
    """Hulls of runs of neighbouring segments, as ``nearest_frustum`` takes them."""
    rows = []
    start = 0
    for i in range(1, len(segments) + 1):
        ends = i == len(segments) or not np.allclose(segments[i - 1, 2:4], segments[i, 0:2])
        if ends or i - start == longest:
            run = segments[start:i]
            heights = run[:, [1, 3]]
            rows.append([start, i, run[:, [0, 2]].max(), heights.min(), heights.max()])
            start = i
    return np.array(rows, np.float64)
