"""Draws a view of a layout in camera RGB: scenery, then every object as a layer, far to near.

Compiled kernels on plain arrays and the few functions that feed them. Knows geometry and light;
no spectra (colours come in as camera RGB) and no sensor.
"""

# ruff: noqa: PLR0912, PLR0915 - a compiled kernel's calls cost more than its length
from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .light import box_entry, compiled, nearest_frustum
from .shapes import PART_ID

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

SKY, SEA, STONE = PART_ID["sky", "sky"], PART_ID["sea", "sea"], PART_ID["quay", "stone"]
WALL, HEADLAND = PART_ID["wall", "wall"], PART_ID["headland", "headland"]
CHART_FRAME, CHART_FIRST = PART_ID["chart", "frame"], PART_ID["chart", "patch 01"]
HEAD = PART_ID["jumper", "head"]

# how the arrays that describe a view are laid out
EYE, RIGHT, UP, FORWARD, FOCAL, MIDDLE = 0, 3, 6, 9, 12, 13
"""Camera: position, three axes, focal length in pixels, principal point (x, y)."""
KEY_AT, KEY_SIZE, KEY_POWER, SKY_POWER, POLARISER, KEY_SHAPE = 0, 3, 4, 5, 6, 7
LIGHT_RGB, ZENITH_RGB, HAZE_RGB, FLOOR_RGB, FLOOR_POWER = 8, 11, 14, 17, 20
WALL_Z = 21
"""Surroundings that gloss mirrors."""


@compiled
def fraction_hash(a, b):
    """A number in [0, 1) for a pair of whole numbers."""
    x = (np.int64(a) * 374761393 + np.int64(b) * 668265263) & 0xFFFFFFFF
    x = ((x ^ (x >> 13)) * 1274126177) & 0xFFFFFFFF
    return ((x ^ (x >> 16)) & 0xFFFFFF) / 16777216.0


@compiled
def smooth(low, high, x):
    """0 below ``low``, 1 above ``high``, a cubic between."""
    t = min(max((x - low) / (high - low), 0.0), 1.0)
    return t * t * (3 - 2 * t)


@compiled
def texel(pyramid, offsets, size, level, u, v):
    """Bilinear value of one level of a tiling texture; u, v in tiles. Two channels."""
    n = size >> level
    x = (u - np.floor(u)) * n - 0.5
    y = (v - np.floor(v)) * n - 0.5
    x0 = int(np.floor(x))
    y0 = int(np.floor(y))
    fx = x - x0
    fy = y - y0
    mask = n - 1
    base = offsets[level]
    a = base + (y0 & mask) * n
    b = base + ((y0 + 1) & mask) * n
    x1 = (x0 + 1) & mask
    x0 = x0 & mask
    top0 = pyramid[a + x0, 0] * (1 - fx) + pyramid[a + x1, 0] * fx
    low0 = pyramid[b + x0, 0] * (1 - fx) + pyramid[b + x1, 0] * fx
    top1 = pyramid[a + x0, 1] * (1 - fx) + pyramid[a + x1, 1] * fx
    low1 = pyramid[b + x0, 1] * (1 - fx) + pyramid[b + x1, 1] * fx
    return top0 * (1 - fy) + low0 * fy, top1 * (1 - fy) + low1 * fy


@compiled
def grain(pyramid, offsets, size, u, v, du, dv):
    """Two texture channels over a footprint of du by dv tiles, by probes along its longer side."""
    small = max(min(du, dv), 1e-9)
    large = max(du, dv)
    probes = int(min(large / small + 0.5, 3.0))
    level = np.log2(max(small * size, large / probes * size, 1.0))
    last = len(offsets) - 1
    low = min(int(level), last)
    f = min(level - low, 1.0)
    first = 0.0
    second = 0.0
    for i in range(probes):
        shift = ((i + 0.5) / probes - 0.5) * large
        uu = u + shift if du > dv else u
        vv = v if du > dv else v + shift
        a0, a1 = texel(pyramid, offsets, size, low, uu, vv)
        if f > 0.02 and low < last:
            b0, b1 = texel(pyramid, offsets, size, low + 1, uu, vv)
            a0 = a0 * (1 - f) + b0 * f
            a1 = a1 * (1 - f) + b1 * f
        first += a0
        second += a1
    return first / probes, second / probes


@compiled
def line_cover(distance, half_width, footprint):
    """Share of a footprint that a line of that half width covers."""
    f = max(footprint, 1e-6)
    low = max(distance - 0.5 * f, -half_width)
    high = min(distance + 0.5 * f, half_width)
    return max(high - low, 0.0) / f


@compiled
def stone(x, z, fx, fz, pyramid, offsets, size):
    """Slabs in running bond: tone 0 light to 1 dark, and relief about 1, over a footprint."""
    row = np.floor(z / 0.42)
    shift = 0.31 * row - np.floor(0.31 * row)
    column = np.floor(x / 0.74 + shift)
    in_x = (x / 0.74 + shift - column) * 0.74
    in_z = (z / 0.42 - row) * 0.42
    joint_x = line_cover(min(in_x, 0.74 - in_x), 0.0045, fx)
    joint_z = line_cover(min(in_z, 0.42 - in_z), 0.0045, fz)
    joint = max(joint_x, joint_z)
    tone = 0.16 + 0.28 * fraction_hash(row, column)
    a, b = grain(pyramid, offsets, size, x / 1.3, z / 1.3, fx / 1.3, fz / 1.3)
    c, _ = texel(pyramid, offsets, size, 3, x / 7.1, z / 7.1)
    tone += 0.20 * a + 0.16 * c
    relief = 1 + 0.16 * b
    edge = smooth(0.0, 0.03, min(in_x, in_z, 0.74 - in_x, 0.42 - in_z))
    tone += 0.10 * (1 - edge)
    tone = tone * (1 - joint) + 0.95 * joint
    return min(max(tone, 0.0), 1.0), relief * (1 - 0.45 * joint)


@compiled
def plank(along, across, seed, width, fa, fc, pyramid, offsets, size):
    """Boards side by side: tone and relief over a footprint; grain runs along."""
    board = np.floor(across / width)
    inside = across - board * width
    gap = line_cover(min(inside, width - inside), 0.0022, fc)
    pick = fraction_hash(board, seed)
    u = along / 2.6 + pick * 7.0
    v = across / 0.33 + pick * 3.0
    a, b = grain(pyramid, offsets, size, u, v, fa / 2.6, fc / 0.33)
    tone = 0.15 + 0.35 * pick + 0.30 * a
    tone = tone * (1 - gap) + gap
    return min(max(tone, 0.0), 1.0), (1 + 0.14 * b) * (1 - 0.6 * gap)


@compiled
def mirrored(rx, ry, rz, px, py, pz, env, out):
    """Camera RGB of what a mirror at p in direction r shows, added up in ``out``."""
    if ry > 0:
        up = np.sqrt(ry)
        low = 1 - up
        gain = env[SKY_POWER]
        for c in range(3):
            out[c] = gain * (env[ZENITH_RGB + c] * up + env[HAZE_RGB + c] * low)
    else:
        # ground: darker where it lies under the things themselves
        near = smooth(0.0, 0.6, -ry)
        for c in range(3):
            out[c] = env[FLOOR_RGB + c] * env[FLOOR_POWER] * (1 - 0.45 * near)
    blend = smooth(-0.03, 0.03, ry)
    if 0 < blend < 1:
        gain = env[SKY_POWER]
        for c in range(3):
            sky = gain * env[HAZE_RGB + c]
            out[c] = sky * blend + env[FLOOR_RGB + c] * env[FLOOR_POWER] * (1 - blend)
    lx = env[KEY_AT] - px
    ly = env[KEY_AT + 1] - py
    lz = env[KEY_AT + 2] - pz
    d = np.sqrt(lx * lx + ly * ly + lz * lz)
    lx /= d
    ly /= d
    lz /= d
    facing = rx * lx + ry * ly + rz * lz
    if facing > 0:
        size = 1.5 * env[KEY_SIZE] / d  # the diffuser is larger than its bright middle
        if env[KEY_SHAPE] > 0.5:
            m = 1 / np.sqrt(lx * lx + lz * lz + 1e-12)
            ux, uz = lz * m, -lx * m
            vx, vy, vz = ly * uz, lz * ux - lx * uz, -ly * ux
            a = abs(rx * ux + rz * uz) / facing / size
            b = abs(rx * vx + ry * vy + rz * vz) / facing / size
            reach = np.sqrt(np.sqrt(a**4 + b**4))
        else:
            reach = np.sqrt(max(1 - facing * facing, 0.0)) / facing / size
        glow = 1 - smooth(0.80, 1.12, reach)
        halo = np.exp(-0.9 * reach)
        power = env[KEY_POWER] * (glow + 0.16 * halo)
        for c in range(3):
            out[c] += power * env[LIGHT_RGB + c]


@compiled
def varnish(
    rgb, gloss, materials, part, nx, ny, nz, dx, dy, dz, px, py, pz, direct, around, env, out
):
    """Add to matt colour ``rgb`` what enamel (1) or metal (2) mirrors; in place."""
    cosine = -(nx * dx + ny * dy + nz * dz)
    rx = dx + 2 * cosine * nx
    ry = dy + 2 * cosine * ny
    rz = dz + 2 * cosine * nz
    mirrored(rx, ry, rz, px, py, pz, env, out)
    grazing = (1 - min(max(cosine, 0.0), 1.0)) ** 5
    open_sky = min(1.0, 0.25 + 1.6 * around)
    if gloss == 1:
        share = env[POLARISER] * (0.04 + 0.70 * grazing) * open_sky
        for c in range(3):
            rgb[c] += share * out[c]
    else:
        share = 0.75 * open_sky
        for c in range(3):
            level = 2.6 * out[1] / env[LIGHT_RGB + 1]
            rgb[c] = 0.25 * rgb[c] + share * level * (
                materials[part, c] + 0.3 * grazing * env[LIGHT_RGB + c]
            )


@compiled
def lathe_ray(
    dx,
    dy,
    dz,
    camera,
    frame,
    segments,
    hulls,
    count,
    lit,
    decal,
    twist,
    materials,
    env,
    rgb,
    out,
):
    """What a ray sees of a surface of revolution: part (0 nothing), distance; colour in rgb."""
    ex = camera[EYE] - frame[0, 3]
    ey = camera[EYE + 1] - frame[1, 3]
    ez = camera[EYE + 2] - frame[2, 3]
    ox = frame[0, 0] * ex + frame[1, 0] * ey + frame[2, 0] * ez
    oy = frame[0, 1] * ex + frame[1, 1] * ey + frame[2, 1] * ez
    oz = frame[0, 2] * ex + frame[1, 2] * ey + frame[2, 2] * ez
    lx = frame[0, 0] * dx + frame[1, 0] * dy + frame[2, 0] * dz
    ly = frame[0, 1] * dx + frame[1, 1] * dy + frame[2, 1] * dz
    lz = frame[0, 2] * dx + frame[1, 2] * dy + frame[2, 2] * dz
    t, hit = nearest_frustum(ox, oy, oz, lx, ly, lz, segments, hulls, 0, count, 1e9)
    if hit < 0:
        return 0, 1e9
    x = ox + t * lx
    y = oy + t * ly
    z = oz + t * lz
    radius = np.sqrt(x * x + z * z) + 1e-12
    rise = segments[hit, 3] - segments[hit, 1]
    run = segments[hit, 2] - segments[hit, 0]
    along = ((radius - segments[hit, 0]) * run + (y - segments[hit, 1]) * rise) / (
        run * run + rise * rise + 1e-18
    )
    along = min(max(along, 0.0), 1.0)
    nr = segments[hit, 4] * (1 - along) + segments[hit, 6] * along
    nh = segments[hit, 5] * (1 - along) + segments[hit, 7] * along
    part = int(segments[hit, 8])
    angle = np.arctan2(z, x)
    azimuth = angle + 0.5 * np.pi  # 0 towards the camera at turn 0
    if azimuth > np.pi:
        azimuth -= 2 * np.pi
    if decal[4] > 0 and decal[0] < azimuth < decal[1] and decal[2] < y < decal[3] and nh > 0:
        part = int(decal[4])
    cos_a = x / radius
    sin_a = z / radius
    relief = 1.0
    nt = 0.0
    if twist > 0:
        phase = (
            twist * azimuth * 1.0
            + 180.0 * (segments[hit, 0] + segments[hit, 1])
            + 2.2 * np.arctan2(nh, nr)
        )
        nt = 0.55 * np.cos(phase)
        relief = 0.72 + 0.28 * (0.5 + 0.5 * np.sin(phase)) ** 0.6
    nx = nr * cos_a - nt * sin_a
    nz = nr * sin_a + nt * cos_a
    ny = nh
    wx = frame[0, 0] * nx + frame[0, 1] * ny + frame[0, 2] * nz
    wy = frame[1, 0] * nx + frame[1, 1] * ny + frame[1, 2] * nz
    wz = frame[2, 0] * nx + frame[2, 1] * ny + frame[2, 2] * nz
    m = 1 / np.sqrt(wx * wx + wy * wy + wz * wz)
    wx *= m
    wy *= m
    wz *= m
    # baked light: between the segment's ends and around
    n = lit.shape[2]
    turn = angle / (2 * np.pi) * n
    turn -= np.floor(turn / n) * n
    i0 = int(turn)
    f = turn - i0
    i0 = i0 % n
    i1 = (i0 + 1) % n
    direct = (lit[hit, 0, i0, 0] * (1 - f) + lit[hit, 0, i1, 0] * f) * (1 - along) + (
        lit[hit, 1, i0, 0] * (1 - f) + lit[hit, 1, i1, 0] * f
    ) * along
    around = (lit[hit, 0, i0, 1] * (1 - f) + lit[hit, 0, i1, 1] * f) * (1 - along) + (
        lit[hit, 1, i0, 1] * (1 - f) + lit[hit, 1, i1, 1] * f
    ) * along
    level = (direct + around) * relief
    gloss = int(materials[part, 3])
    for c in range(3):
        rgb[c] = materials[part, c] * level
    if gloss > 0:
        px = camera[EYE] + t * dx
        py = camera[EYE + 1] + t * dy
        pz = camera[EYE + 2] + t * dz
        varnish(
            rgb,
            gloss,
            materials,
            part,
            wx,
            wy,
            wz,
            dx,
            dy,
            dz,
            px,
            py,
            pz,
            direct,
            around,
            env,
            out,
        )
    for c in range(3):
        rgb[c] += materials[part, 4] * env[LIGHT_RGB + c]
    return part, t


@compiled
def direction(camera, x, y, d):
    """The unit ray through picture point (x, y), into ``d``."""
    a = (x - camera[MIDDLE]) / camera[FOCAL]
    b = (camera[MIDDLE + 1] - y) / camera[FOCAL]
    m = 1 / np.sqrt(1 + a * a + b * b)
    for c in range(3):
        d[c] = (camera[FORWARD + c] + a * camera[RIGHT + c] + b * camera[UP + c]) * m


@compiled
def seams(ids, depth, jump):
    """Pixels where the part changes, or the depth by more than ``jump``, to a neighbour."""
    height, width = ids.shape
    found = np.zeros((height, width), np.bool_)
    for i in range(height):
        for j in range(width):
            if j + 1 < width and (
                ids[i, j] != ids[i, j + 1] or abs(depth[i, j] - depth[i, j + 1]) > jump
            ):
                found[i, j] = True
                found[i, j + 1] = True
            if i + 1 < height and (
                ids[i, j] != ids[i + 1, j] or abs(depth[i, j] - depth[i + 1, j]) > jump
            ):
                found[i, j] = True
                found[i + 1, j] = True
    return found


@compiled
def hulls_in_row(hulls, seen, top, step):
    """Copy the hulls that a row of pixels can see: how many, and their first and last column."""
    count = 0
    left = 1e9
    right = -1e9
    for k in range(hulls.shape[0]):
        if hulls[k, 6] <= top + step and hulls[k, 8] >= top:
            seen[count] = hulls[k]
            count += 1
            left = min(left, hulls[k, 5])
            right = max(right, hulls[k, 7])
    return count, left, right


@compiled
def draw_lathe(
    layer, ids, x0, y0, step, camera, frame, segments, hulls, lit, decal, twist, materials, env
):
    """Fill a layer (premultiplied RGBA) whose pixels are ``step`` picture pixels wide.

    ``hulls`` rows end with where each can be seen: picture left, top, right, bottom.
    """
    height, width = ids.shape
    seen = np.empty_like(hulls)
    d = np.empty(3)
    rgb = np.empty(3)
    out = np.empty(3)
    total = np.empty(4)
    depth = np.zeros((height, width), np.float32)
    edge = np.zeros((1, 1), np.bool_)
    for side in (1, 4):  # one ray a pixel, then sixteen at seams
        if side > 1:
            edge = seams(ids, depth, 0.012)
        for i in range(height):
            count, left, right = hulls_in_row(hulls, seen, y0 + i * step, step)
            first = max(int((left - x0) // step) - 1, 0)
            last = min(int((right - x0) // step) + 2, width)
            for j in range(first, last):
                if side > 1 and not edge[i, j]:
                    continue
                total[:] = 0
                for k in range(side * side):
                    x = x0 + (j + (k % side + 0.5) / side) * step
                    y = y0 + (i + (k // side + 0.5) / side) * step
                    direction(camera, x, y, d)
                    part, t = lathe_ray(
                        d[0], d[1], d[2], camera, frame, segments, seen, count, lit, decal, twist,
                        materials, env, rgb, out,
                    )  # fmt: skip
                    if side == 1:
                        ids[i, j] = part
                        depth[i, j] = t
                    if part > 0:
                        for c in range(3):
                            total[c] += rgb[c]
                        total[3] += 1
                for c in range(4):
                    layer[i, j, c] = total[c] / (side * side)


@compiled
def box_ray(
    dx, dy, dz, camera, frame, half, lit, part, planks, materials, other, footprint,
    pyramid, offsets, size, rgb,
):  # fmt: skip
    """What one ray sees of a box or a chart: part (0 nothing) and face; colour in rgb."""
    ex = camera[EYE] - frame[0, 3]
    ey = camera[EYE + 1] - frame[1, 3]
    ez = camera[EYE + 2] - frame[2, 3]
    ox = frame[0, 0] * ex + frame[1, 0] * ey + frame[2, 0] * ez
    oy = frame[0, 1] * ex + frame[1, 1] * ey + frame[2, 1] * ez
    oz = frame[0, 2] * ex + frame[1, 2] * ey + frame[2, 2] * ez
    lx = frame[0, 0] * dx + frame[1, 0] * dy + frame[2, 0] * dz
    ly = frame[0, 1] * dx + frame[1, 1] * dy + frame[2, 1] * dz
    lz = frame[0, 2] * dx + frame[1, 2] * dy + frame[2, 2] * dz
    t, face = box_entry(ox, oy, oz, lx, ly, lz, half[0], half[1], half[2])
    if face < 0:
        return 0, -1
    x = ox + t * lx
    y = oy + t * ly
    z = oz + t * lz
    axis = face // 2
    if axis == 0:
        a, b, ha, hb = z, y, half[2], half[1]
    elif axis == 1:
        a, b, ha, hb = x, z, half[0], half[2]
    else:
        a, b, ha, hb = x, y, half[0], half[1]
    n = lit.shape[1]
    u = min(max((a / ha * 0.5 + 0.5) * n - 0.5, 0.0), n - 1.001)
    v = min(max((b / hb * 0.5 + 0.5) * n - 0.5, 0.0), n - 1.001)
    i0 = int(v)
    j0 = int(u)
    fv = v - i0
    fu = u - j0
    level = 0.0
    for c in range(2):
        level += (lit[face, i0, j0, c] * (1 - fu) + lit[face, i0, j0 + 1, c] * fu) * (1 - fv) + (
            lit[face, i0 + 1, j0, c] * (1 - fu) + lit[face, i0 + 1, j0 + 1, c] * fu
        ) * fv
    if planks == 0:
        found = CHART_FRAME
        if face == 4:
            across = (x / half[0] * 0.5 + 0.5) * 6.44 - 0.22
            down = (0.5 - y / half[1] * 0.5) * 4.44 - 0.22
            column = int(np.floor(across))
            row = int(np.floor(down))
            if 0 <= column < 6 and 0 <= row < 4:
                in_x = across - column
                in_y = down - row
                if 0.07 < in_x < 0.93 and 0.07 < in_y < 0.93:
                    found = CHART_FIRST + 6 * row + column
        for c in range(3):
            rgb[c] = materials[found, c] * level
        return found, face
    # a face seen askew: the footprint lengthens across a top's boards, along a side's
    foot = footprint * t
    long = foot / max(abs(lx if axis == 0 else (ly if axis == 1 else lz)), 0.12)
    tone, relief = plank(
        a, b + hb, face + 11 * planks, 2 * hb / planks, foot if axis == 1 else long,
        long if axis == 1 else foot, pyramid, offsets, size,
    )  # fmt: skip
    edge = min(ha - abs(a), hb - abs(b))
    tone = min(1.0, tone + 0.25 * (1 - smooth(0.0, 0.006, edge)))
    for c in range(3):
        rgb[c] = (materials[part, c] * (1 - tone) + other[c] * tone) * level * relief
    return part, face


@compiled
def draw_box(
    layer, ids, x0, y0, step, camera, frame, half, lit, part, planks, materials, other,
    pyramid, offsets, size,
):  # fmt: skip
    """Fill a layer with a box as ``draw_lathe`` does."""
    height, width = ids.shape
    d = np.empty(3)
    rgb = np.empty(3)
    total = np.empty(4)
    faces = np.empty((height, width), np.int8)
    footprint = step / camera[FOCAL]
    edge = np.zeros((1, 1), np.bool_)
    for side in (1, 4):
        if side > 1:
            edge = seams(ids, faces, 0)
        for i in range(height):
            for j in range(width):
                if side > 1 and not edge[i, j]:
                    continue
                total[:] = 0
                for k in range(side * side):
                    x = x0 + (j + (k % side + 0.5) / side) * step
                    y = y0 + (i + (k // side + 0.5) / side) * step
                    direction(camera, x, y, d)
                    found, face = box_ray(
                        d[0], d[1], d[2], camera, frame, half, lit, part, planks, materials, other,
                        footprint / side, pyramid, offsets, size, rgb,
                    )  # fmt: skip
                    if side == 1:
                        ids[i, j] = found
                        faces[i, j] = face
                    if found > 0:
                        for c in range(3):
                            total[c] += rgb[c]
                        total[3] += 1
                for c in range(4):
                    layer[i, j, c] = total[c] / (side * side)


@compiled
def figure_distance(x, y, z, limbs, count, near):
    """Signed distance to rounded limbs that melt into each other; nearest part in near[0]."""
    total = 1e9
    best = 1e9
    for k in range(count):
        bx = limbs[k, 3] - limbs[k, 0]
        by = limbs[k, 4] - limbs[k, 1]
        bz = limbs[k, 5] - limbs[k, 2]
        ax = x - limbs[k, 0]
        ay = y - limbs[k, 1]
        az = z - limbs[k, 2]
        s = (ax * bx + ay * by + az * bz) / (bx * bx + by * by + bz * bz + 1e-12)
        s = min(max(s, 0.0), 1.0)
        qx = ax - s * bx
        qy = ay - s * by
        qz = az - s * bz
        distance = np.sqrt(qx * qx + qy * qy + qz * qz) - (limbs[k, 6] * (1 - s) + limbs[k, 7] * s)
        if distance < best:
            best = distance
            near[0] = limbs[k, 8]
        mix = max(0.035 - abs(distance - total), 0.0) / 0.035
        total = min(distance, total) - mix * mix * 0.035 * 0.25
    return total


@compiled
def draw_figure(layer, ids, x0, y0, step, camera, limbs, materials, light, sky):
    """Fill a layer with the jumper by marching; the edge's cover comes from the nearest miss."""
    height, width = ids.shape
    d = np.empty(3)
    near = np.zeros(1)
    pixel = step / camera[FOCAL]
    ox = camera[EYE]
    oy = camera[EYE + 1]
    oz = camera[EYE + 2]
    every = limbs.shape[0]
    close = np.empty_like(limbs)
    tile = 12
    for block in range(-(-height // tile) * -(-width // tile)):
        top = block // -(-width // tile) * tile
        left = block % -(-width // tile) * tile
        # the limbs that rays of this tile can meet
        direction(camera, x0 + (left + tile / 2) * step, y0 + (top + tile / 2) * step, d)
        count = 0
        first = 1e9
        last = 0.0
        for k in range(every):
            bx = limbs[k, 3] - limbs[k, 0]
            by = limbs[k, 4] - limbs[k, 1]
            bz = limbs[k, 5] - limbs[k, 2]
            ax = ox - limbs[k, 0]
            ay = oy - limbs[k, 1]
            az = oz - limbs[k, 2]
            bb = bx * bx + by * by + bz * bz + 1e-12
            bd = bx * d[0] + by * d[1] + bz * d[2]
            ab = ax * bx + ay * by + az * bz
            ad = ax * d[0] + ay * d[1] + az * d[2]
            det = bb - bd * bd
            s = min(max((ab - ad * bd) / det if det > 1e-12 else 0.0, 0.0), 1.0)
            t = s * bd - ad
            qx = ax + t * d[0] - s * bx
            qy = ay + t * d[1] - s * by
            qz = az + t * d[2] - s * bz
            reach = max(limbs[k, 6], limbs[k, 7]) + 0.04 + 0.75 * tile * pixel * t
            if qx * qx + qy * qy + qz * qz < reach * reach:
                close[count] = limbs[k]
                count += 1
                span = reach + 0.5 * np.sqrt(bb) + 0.1
                middle = -ad + 0.5 * bd
                first = min(first, middle - span)
                last = max(last, middle + span)
        if count == 0:
            continue
        for place in range(tile * tile):
            i = top + place // tile
            j = left + place % tile
            if i >= height or j >= width:
                continue
            direction(camera, x0 + (j + 0.5) * step, y0 + (i + 0.5) * step, d)
            t = first
            closest = 1e9
            closest_t = t
            for _ in range(96):
                distance = figure_distance(
                    ox + t * d[0], oy + t * d[1], oz + t * d[2], close, count, near
                )
                ratio = distance / t
                if ratio < closest:
                    closest = ratio
                    closest_t = t
                if ratio < 0.25 * pixel or t > last:
                    break
                t += max(distance, 0.4 * pixel * t)
            cover = min(max(1.25 - closest / pixel, 0.0), 1.0)
            if cover <= 0:
                continue
            t = closest_t
            px = ox + t * d[0]
            py = oy + t * d[1]
            pz = oz + t * d[2]
            at = figure_distance(px, py, pz, close, count, near)
            part = int(near[0])
            e = 0.002
            nx = figure_distance(px + e, py, pz, close, count, near) - at
            ny = figure_distance(px, py + e, pz, close, count, near) - at
            nz = figure_distance(px, py, pz + e, close, count, near) - at
            m = 1 / np.sqrt(nx * nx + ny * ny + nz * nz + 1e-18)
            nx *= m
            ny *= m
            nz *= m
            # folds in cloth
            if part > HEAD + 1:
                fold = 0.10 * np.sin(38 * px + 9 * np.sin(21 * py + 3 * pz)) * np.sin(17 * py)
                nx += fold
                ny += 0.6 * fold
                m = 1 / np.sqrt(nx * nx + ny * ny + nz * nz)
                nx *= m
                ny *= m
                nz *= m
            lx = light[0] - px
            ly = light[1] - py
            lz = light[2] - pz
            length2 = lx * lx + ly * ly + lz * lz
            length = np.sqrt(length2)
            lx /= length
            ly /= length
            lz /= length
            facing = nx * lx + ny * ly + nz * lz
            soft = 0.12
            lambert = (
                max(facing, 0.0) if facing > soft else max(facing + soft, 0.0) ** 2 / (4 * soft)
            )
            shade = 1.0
            march = 0.03
            for _ in range(14):
                distance = figure_distance(
                    px + march * lx, py + march * ly, pz + march * lz, limbs, every, near
                )
                shade = min(shade, 0.5 + 0.5 * distance / (0.10 * march))
                if shade < 0 or march > 0.9:
                    break
                march += max(distance, 0.02)
            shade = smooth(0.0, 1.0, max(shade, 0.0))
            direct = light[4] / length2 * lambert * shade
            occlusion = 1.0
            for k in range(3):
                reach = 0.03 * (k + 1) * (k + 1)
                distance = figure_distance(
                    px + reach * nx, py + reach * ny, pz + reach * nz, limbs, every, near
                )
                occlusion -= 0.9 * max(reach - distance, 0.0) / reach / (2.0 ** (k + 1))
            up = 0.5 + 0.5 * ny
            around = (sky[0] * up + sky[1] * (1 - abs(ny)) * 0.5 + sky[2] * (1 - up)) * max(
                occlusion, 0.15
            )
            level = direct + around
            for c in range(3):
                layer[i, j, c] = materials[part, c] * level * cover
            layer[i, j, 3] = cover
            ids[i, j] = part if cover > 0.5 else 0


@compiled
def draw_strand(layer, ids, x0, y0, step, line, colour, part, level):
    """Fill a layer with a cable: ``line`` rows are x, y (picture pixels) and half width."""
    height, width = ids.shape
    for k in range(line.shape[0] - 1):
        ax = (line[k, 0] - x0) / step
        ay = (line[k, 1] - y0) / step
        bx = (line[k + 1, 0] - x0) / step
        by = (line[k + 1, 1] - y0) / step
        wide = max(line[k, 2], line[k + 1, 2]) / step + 1.5
        left = max(int(min(ax, bx) - wide), 0)
        right = min(int(max(ax, bx) + wide) + 1, width)
        top = max(int(min(ay, by) - wide), 0)
        bottom = min(int(max(ay, by) + wide) + 1, height)
        ux = bx - ax
        uy = by - ay
        uu = ux * ux + uy * uy + 1e-12
        for i in range(top, bottom):
            for j in range(left, right):
                x = j + 0.5 - ax
                y = i + 0.5 - ay
                s = min(max((x * ux + y * uy) / uu, 0.0), 1.0)
                px = x - s * ux
                py = y - s * uy
                distance = np.sqrt(px * px + py * py)
                half = (line[k, 2] * (1 - s) + line[k + 1, 2] * s) / step
                cover = min(max(half + 0.5 - distance, 0.0), 1.0)
                cover = min(cover, 2 * half)
                if cover > layer[i, j, 3]:
                    side = min(distance / max(half, 0.5), 1.0)
                    lean = py / max(half, 0.5)  # lit from above
                    shade = level * (0.55 + 0.45 * np.sqrt(1 - side * side) - 0.35 * lean)
                    for c in range(3):
                        layer[i, j, c] = colour[c] * max(shade, 0.05) * cover
                    layer[i, j, 3] = cover
                    if cover > 0.5:
                        ids[i, j] = part


@compiled
def draw_scenery(
    picture, ids, top, step, camera, wall_z, edge_z, floor_kind, floor_lit, floor_area, wall_lit,
    wall_area, key, overhead, others, sky_rgb, sky_gain, clouds, seed, pyramid, offsets,
    size, lamps,
):  # fmt: skip
    """Sky, water, quay and wall into rows that start at picture row ``top``, ``step`` wide."""
    height, width = ids.shape
    d = np.empty(3)
    pixel = step / camera[FOCAL]
    ex = camera[EYE]
    ey = camera[EYE + 1]
    ez = camera[EYE + 2]
    for i in range(height):
        for j in range(width):
            direction(camera, (j + 0.5) * step, top + (i + 0.5) * step, d)
            dx, dy, dz = d
            kind = SKY
            t = 1e9
            if dy < -1e-6:
                ground = -ey / dy
                if ez + ground * dz < edge_z or wall_z > 0:
                    t = ground
                    kind = STONE
                else:
                    t = -(ey + 1.4) / dy
                    kind = SEA
            if wall_z > 0 and dz > 1e-6:
                reach = (wall_z - ez) / dz
                if reach < t:
                    t = reach
                    kind = WALL
            ids[i, j] = kind
            if kind == STONE:
                x = ex + t * dx
                z = ez + t * dz
                fx = pixel * t
                fz = pixel * t / max(-dy, 0.02)
                if floor_kind == 0:
                    tone, relief = stone(x, z, fx, fz, pyramid, offsets, size)
                else:
                    tone, relief = plank(
                        z + 40.0, x + 40.0, 5, 0.19, fz, fx, pyramid, offsets, size
                    )
                ax = key[0] - x
                az = key[2] - z
                square = ax * ax + key[1] * key[1] + az * az
                level = overhead + key[4] * key[1] / (square * np.sqrt(square))
                ratio = 1.0
                n = floor_lit.shape[0]
                u = (x - floor_area[0]) / floor_area[2] * n - 0.5
                v = (z - floor_area[1]) / floor_area[2] * n - 0.5
                if 0 <= u < n - 1 and 0 <= v < n - 1:
                    i0 = int(v)
                    j0 = int(u)
                    fv = v - i0
                    fu = u - j0
                    ratio = (floor_lit[i0, j0] * (1 - fu) + floor_lit[i0, j0 + 1] * fu) * (1 - fv)
                    ratio += (
                        floor_lit[i0 + 1, j0] * (1 - fu) + floor_lit[i0 + 1, j0 + 1] * fu
                    ) * fv
                level *= ratio
                edge = 1.0
                if wall_z <= 0:
                    edge = 1 - 0.5 * line_cover(edge_z - z - 0.02, 0.02, fz)
                which = 0 if floor_kind == 0 else 1
                for c in range(3):
                    picture[i, j, c] = (
                        (others[2 * which, c] * (1 - tone) + others[2 * which + 1, c] * tone)
                        * level * relief * edge
                    )  # fmt: skip
            elif kind == WALL:
                x = ex + t * dx
                y = ey + t * dy
                foot = pixel * t
                a, b = grain(pyramid, offsets, size, x / 1.9, y / 1.9, foot / 1.9, foot / 1.9)
                e, _ = grain(pyramid, offsets, size, x / 8.3 + 0.3, y / 8.3, foot / 8.3, foot / 8.3)
                damp = 0.35 * np.exp(-y / 0.35)
                tone = min(max(0.20 + 0.22 * a + 0.34 * e + damp, 0.0), 1.0)
                n = wall_lit.shape[0]
                u = min(max((x - wall_area[0]) / wall_area[2] * n - 0.5, 0.0), n - 1.001)
                v = min(max(y / wall_area[2] * n - 0.5, 0.0), n - 1.001)
                i0 = int(v)
                j0 = int(u)
                fv = v - i0
                fu = u - j0
                level = (wall_lit[i0, j0] * (1 - fu) + wall_lit[i0, j0 + 1] * fu) * (1 - fv)
                level += (wall_lit[i0 + 1, j0] * (1 - fu) + wall_lit[i0 + 1, j0 + 1] * fu) * fv
                for c in range(3):
                    picture[i, j, c] = (
                        (others[4, c] * (1 - tone) + others[5, c] * tone) * level * (1 + 0.10 * b)
                    )
            else:
                # sky as seen, or as the water mirrors it
                glance = dy
                ripple = 0.0
                if kind == SEA:
                    x = ex + t * dx
                    z = ez + t * dz
                    fx = pixel * t / 9.0
                    fz = pixel * t / max(-dy, 0.004) / 2.6
                    a, b = grain(pyramid, offsets, size, x / 9.0, z / 2.6, fx, fz)
                    e, g = grain(pyramid, offsets, size, x / 31.0, z / 11.0, fx / 3.4, fz / 4.2)
                    ripple = 0.6 * b + 0.5 * g
                    glance = max(-dy + 0.14 + 0.24 * ripple, 0.0)
                up = np.sqrt(max(glance, 0.0))
                haze = np.exp(-3.4 * max(glance, 0.0))
                cloud = 0.0
                if kind == SKY and glance > 0.0:
                    reach = 1.0 / (glance + 0.10)
                    u = dx * reach * 0.10 + seed
                    v = dz * reach * 0.10
                    span = pixel * reach * 0.10
                    a, _ = grain(pyramid, offsets, size, u, v, span, span * reach)
                    e, _ = grain(
                        pyramid, offsets, size, 2.7 * u, 2.7 * v, 2.7 * span, 2.7 * span * reach
                    )
                    cloud = clouds * smooth(-0.1, 1.1, a + 0.45 * e) * smooth(0.0, 0.12, glance)
                veil = min(haze + cloud * (1 - haze), 1.0)
                for c in range(3):
                    value = sky_rgb[0, c] * (1 - veil) + sky_rgb[1, c] * veil
                    picture[i, j, c] = value * sky_gain * (0.85 + 0.15 * up)
                if kind == SEA:
                    # steep looks go into the water, flat ones are mirrored
                    mirror = 0.06 + 0.94 * (1 - min(-dy + 0.05, 1.0)) ** 6
                    mirror = min(max(mirror * (1 + 0.45 * ripple), 0.05), 0.95)
                    distance = np.exp(-t / 260.0)
                    glint = 0.9 * smooth(0.55, 1.15, ripple)
                    for c in range(3):
                        deep = sky_rgb[2, c] * sky_gain * 0.9
                        wet = picture[i, j, c] * mirror + deep * (1 - mirror)
                        wet += glint * sky_rgb[1, c] * sky_gain
                        air = sky_rgb[1, c] * sky_gain * 0.80
                        picture[i, j, c] = wet * (0.35 + 0.65 * distance) + air * 0.65 * (
                            1 - distance
                        )
                # a low headland on the horizon
                bearing = np.arctan2(dx, dz) if abs(dy) < 0.4 else 9.0
                if -pixel < dy < 0.08:
                    rise = 0.0
                    for k in range(5):
                        w = 3.0 * 1.9**k
                        rise += np.sin(bearing * w + seed * (k + 1.7) * 5) / (1.7**k)
                    crest = 0.012 + 0.010 * rise * smooth(-1.3, 0.6, bearing + seed - 0.5)
                    span = pixel
                    cover = min(max((crest - dy) / span + 0.5, 0.0), 1.0)
                    cover *= min(max(dy / span + 0.5, 0.0), 1.0)
                    if cover > 0:
                        depth = smooth(0.0, 0.03, dy)
                        for c in range(3):
                            land = (
                                sky_rgb[3, c] * (0.45 + 0.25 * depth) + sky_rgb[1, c] * 0.30
                            ) * sky_gain
                            picture[i, j, c] = picture[i, j, c] * (1 - cover) + land * cover
                        if cover > 0.5:
                            ids[i, j] = HEADLAND
                # lights along the far shore
                for k in range(lamps.shape[0]):
                    x = (bearing - lamps[k, 0]) / lamps[k, 2]
                    y = (dy - lamps[k, 1]) / lamps[k, 2]
                    r2 = x * x + y * y
                    if r2 < 9:
                        glow = lamps[k, 3] * (1 - smooth(0.8, 1.15, np.sqrt(r2)))
                        for c in range(3):
                            picture[i, j, c] += glow * lamps[k, 4 + c]
                    streak = (-dy - lamps[k, 1]) / (9 * lamps[k, 2])
                    if abs(x) < 1.3 and 0 < streak < 1:
                        glow = 0.10 * lamps[k, 3] * (1 - streak) * (1 - smooth(0.6, 1.3, abs(x)))
                        for c in range(3):
                            picture[i, j, c] += glow * lamps[k, 4 + c] * (1 + 0.8 * ripple)


@compiled
def blur_rows(source, target, channels, taps, reaches):
    """Blur (h, w * channels) along rows; row i by the ``2 * reaches[i] + 1`` taps ``taps[i]``."""
    height, length = source.shape
    longest = channels * reaches.max()
    line = np.empty(length + 2 * longest, np.float32)
    for i in range(height):
        margin = channels * reaches[i]
        for c in range(channels):
            for j in range(c, margin, channels):
                line[j] = source[i, c]
                line[margin + length + j] = source[i, length - channels + c]
        for j in range(length):
            line[margin + j] = source[i, j]
            target[i, j] = 0
        for k in range(2 * reaches[i] + 1):
            tap = taps[i, k]
            shift = k * channels
            for j in range(length):
                target[i, j] += tap * line[j + shift]


@compiled
def blur_columns(source, target, taps, reaches):
    """Blur (h, n) down columns, target row i by its own taps as in ``blur_rows``."""
    height, length = source.shape
    for i in range(height):
        reach = reaches[i]
        for j in range(length):
            target[i, j] = 0
        for k in range(2 * reach + 1):
            tap = taps[i, k]
            y = min(max(i + k - reach, 0), height - 1)
            for j in range(length):
                target[i, j] += tap * source[y, j]


@compiled
def smear(source, target, dx, dy):
    """Blur of (h, w, 4) along a straight movement of (dx, dy) pixels, centred."""
    height, width, channels = source.shape
    steps = int(np.ceil(max(abs(dx), abs(dy)))) + 1
    for i in range(height):
        for j in range(width):
            for c in range(channels):
                target[i, j, c] = 0
            for k in range(steps):
                s = (k + 0.5) / steps - 0.5
                y = i + s * dy
                x = j + s * dx
                y0 = int(np.floor(y))
                x0 = int(np.floor(x))
                fy = np.float32(y - y0)
                fx = np.float32(x - x0)
                if y0 < 0 or x0 < 0 or y0 >= height - 1 or x0 >= width - 1:
                    continue
                for c in range(channels):
                    target[i, j, c] += (
                        (source[y0, x0, c] * (1 - fx) + source[y0, x0 + 1, c] * fx) * (1 - fy)
                        + (source[y0 + 1, x0, c] * (1 - fx) + source[y0 + 1, x0 + 1, c] * fx) * fy
                    )  # fmt: skip
            for c in range(channels):
                target[i, j, c] /= steps


@compiled
def lay_over(picture, ids, layer, layer_ids, x0, y0, step):
    """Composite a premultiplied layer whose pixels are ``step`` (whole) picture pixels wide."""
    height, width = ids.shape
    rows, columns, _ = layer.shape
    for i in range(max(y0, 0), min(y0 + rows * step, height)):
        y = (i - y0 + 0.5) / step - 0.5
        i0 = int(np.floor(y))
        fy = np.float32(y - i0)
        i1 = min(i0 + 1, rows - 1)
        i0 = max(i0, 0)
        for j in range(max(x0, 0), min(x0 + columns * step, width)):
            x = (j - x0 + 0.5) / step - 0.5
            j0 = int(np.floor(x))
            fx = np.float32(x - j0)
            j1 = min(j0 + 1, columns - 1)
            j0 = max(j0, 0)
            alpha = (layer[i0, j0, 3] * (1 - fx) + layer[i0, j1, 3] * fx) * (1 - fy) + (
                layer[i1, j0, 3] * (1 - fx) + layer[i1, j1, 3] * fx
            ) * fy
            if alpha <= 0:
                continue
            for c in range(3):
                value = (layer[i0, j0, c] * (1 - fx) + layer[i0, j1, c] * fx) * (1 - fy) + (
                    layer[i1, j0, c] * (1 - fx) + layer[i1, j1, c] * fx
                ) * fy
                picture[i, j, c] = picture[i, j, c] * (1 - alpha) + value
            if alpha > 0.5:
                found = layer_ids[(i - y0) // step, (j - x0) // step]
                if found > 0:
                    ids[i, j] = found


@compiled
def enlarge_rows(picture, ids, small, small_ids, top, step, weights):
    """Blend a coarse strip that starts at row ``top`` over ``picture``, each row by its weight."""
    height, width = ids.shape
    rows, columns, _ = small.shape
    for i in range(top, min(top + rows * step, height)):
        weight = np.float32(weights[i])
        if weight <= 0:
            continue
        y = (i - top + 0.5) / step - 0.5
        i0 = int(np.floor(y))
        fy = np.float32(y - i0)
        i1 = min(i0 + 1, rows - 1)
        i0 = min(max(i0, 0), rows - 1)
        for j in range(width):
            x = (j + 0.5) / step - 0.5
            j0 = int(np.floor(x))
            fx = np.float32(x - j0)
            j1 = min(j0 + 1, columns - 1)
            j0 = min(max(j0, 0), columns - 1)
            for c in range(3):
                value = (small[i0, j0, c] * (1 - fx) + small[i0, j1, c] * fx) * (1 - fy) + (
                    small[i1, j0, c] * (1 - fx) + small[i1, j1, c] * fx
                ) * fy
                picture[i, j, c] += weight * (value - picture[i, j, c])
            if weight >= 0.5:
                ids[i, j] = small_ids[(i - top) // step, j // step]
