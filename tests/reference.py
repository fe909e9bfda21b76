"""Every step again, slowly and plainly, in float64 on whole pictures.

Written from the formulas and their sources, sharing no kernel with the pipeline: the fused pass
must equal this within 1e-4. Pictures are (..., 3) working RGB, linear BT.2020.
"""

from __future__ import annotations

import colour
import numpy as np

BT2020 = colour.RGB_COLOURSPACES["ITU-R BT.2020"].copy()
BT2020.use_derived_transformation_matrices(True)
D65 = np.asarray(BT2020.whitepoint)
# the D50 of the profile connection space, ICC.1:2022, 7.2.16: XYZ 0.9642, 1, 0.8249
D50_PCS_XY = colour.XYZ_to_xy([0.9642, 1.0, 0.8249])

NAMES = {
    "srgb": "sRGB",
    "display-p3": "Display P3",
    "adobe-rgb": "Adobe RGB (1998)",
    "romm-rgb": "ROMM RGB",
}


def colourspace(name: str) -> colour.RGB_Colourspace:
    """An output space of colour-science with matrices derived from its chromaticities."""
    space = colour.RGB_COLOURSPACES[NAMES[name]].copy()
    space.use_derived_transformation_matrices(True)
    return space


def expose(rgb, stops=0.0):
    return rgb * 2.0**stops


def tone(rgb, contrast=1.0, toe=0.0, shoulder=0.0, pivot=0.18):
    if (contrast, toe, shoulder) == (1, 0, 0):
        return rgb
    a = np.abs(rgb)
    n = (a**3).sum(-1) / ((a**2).sum(-1) + 1e-30)
    u = np.sqrt(n**2 + (pivot / 4096) ** 2)
    x = np.log2(u / pivot)
    white = np.log2(1 / pivot)
    y = contrast * x
    if shoulder > 0:
        start = (1 - shoulder) * white
        t = np.maximum((y - start) / (white - start), 0)
        y = np.where(t > 0, start + (white - start) * t / np.cbrt(1 + t**3), y)
    # the toe's slope: contrast (1 - toe S), S a smoothstep over 4 stops from 2 below the pivot,
    # integrated here by the trapezium rule instead of in closed form
    grid = np.linspace(-40, 0, 400_001)
    s = np.clip((-2 - grid) / 4, 0, 1)
    lost = s**2 * (3 - 2 * s)
    integral = np.concatenate([[0], np.cumsum((lost[1:] + lost[:-1]) / 2 * np.diff(grid))])
    y = y + contrast * toe * (integral[-1] - np.interp(x, grid, integral))
    return rgb * np.exp2(y - x)[..., None]


def primaries(rgb, slope=(1, 1, 1), offset=(0, 0, 0), power=(1, 1, 1), saturation=1.0, clamp=False):
    v = rgb * np.asarray(slope, float) + np.asarray(offset, float)
    if clamp:
        v = np.clip(v, 0, 1)
    v = np.where(v > 0, np.power(np.maximum(v, 0), np.asarray(power, float)), v)
    luma = v @ np.array([0.2126, 0.7152, 0.0722])
    v = luma[..., None] + saturation * (v - luma[..., None])
    return np.clip(v, 0, 1) if clamp else v


def oklab(rgb):
    """OKLab through colour-science, its greys made exactly neutral."""
    xyz = rgb @ BT2020.matrix_RGB_to_XYZ.T
    m1 = colour.models.oklab.MATRIX_1_XYZ_TO_LMS
    m2 = colour.models.oklab.MATRIX_2_LMS_TO_LAB
    white = m1 @ BT2020.matrix_RGB_to_XYZ @ np.ones(3)
    return np.cbrt((xyz @ m1.T) / white) @ m2.T


def from_oklab(lab):
    m1 = colour.models.oklab.MATRIX_1_XYZ_TO_LMS
    m2 = colour.models.oklab.MATRIX_2_LMS_TO_LAB
    white = m1 @ BT2020.matrix_RGB_to_XYZ @ np.ones(3)
    lms = (lab @ np.linalg.inv(m2).T) ** 3 * white
    return lms @ np.linalg.inv(m1).T @ np.linalg.inv(BT2020.matrix_RGB_to_XYZ).T


def hue(rgb, bands=()):
    lab = oklab(rgb)
    lightness, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    chroma, angle = np.hypot(a, b), np.arctan2(b, a)
    turn, more, light = np.zeros_like(a), np.zeros_like(a), np.zeros_like(a)
    for band in bands:
        edge = np.cos(np.radians(band["width"]))
        w = np.clip((np.cos(angle - np.radians(band["at"])) - edge) / (1 - edge), 0, 1)
        w = w**2 * (3 - 2 * w) * chroma**2 / (chroma**2 + 0.02**2)
        turn += w * np.radians(band.get("turn", 0))
        more += w * (band.get("chroma", 1) - 1)
        light += w * (band.get("lightness", 1) - 1)
    chroma = chroma * np.maximum(1 + more, 0)
    angle = angle + turn
    lightness = lightness * np.maximum(1 + light, 0)
    return from_oklab(np.stack([lightness, chroma * np.cos(angle), chroma * np.sin(angle)], -1))


def mono(rgb, red=0.2627, green=0.6780, blue=0.0593, amount=1.0):
    weights = np.array([red, green, blue]) / (red + green + blue)
    grey = (rgb @ weights)[..., None]
    return rgb + amount * (grey - rgb)


def table(rgb, lattice, space="srgb", amount=1.0):
    """A cube of colours, by colour-science's tetrahedral interpolation, in an output space."""
    into = colourspace(space)
    m = np.linalg.inv(into.matrix_RGB_to_XYZ) @ adaptation(D65, into.whitepoint)
    m = m @ BT2020.matrix_RGB_to_XYZ
    linear = rgb @ m.T
    coded = np.sign(linear) * into.cctf_encoding(np.abs(linear))
    looked = colour.algebra.table_interpolation_tetrahedral(np.clip(coded, 0, 1), lattice)
    out = np.sign(looked) * into.cctf_decoding(np.abs(looked))
    out = out @ np.linalg.inv(m).T
    return rgb + amount * (out - rgb)


def adaptation(source_xy, target_xy):
    """Bradford, through colour-science."""
    return colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(source_xy), colour.xy_to_XYZ(target_xy), transform="Bradford"
    )


STEPS = {"expose": expose, "tone": tone, "primaries": primaries, "hue": hue, "mono": mono}


# --- local edits: the density of each pixel goes along, (...) -------------------------------------


def dodge(rgb, density, stops=0.0):
    return rgb * np.exp2(stops * density)[..., None]


def burn(rgb, density, stops=0.0):
    return dodge(rgb, density, -stops)


def balance(rgb, density, mired=0.0, duv=0.0):
    """A filter's light through colour-science: Ohno's temperatures, Bradford's responses."""
    uv = colour.xy_to_UCS_uv(D65)
    kelvin, off = colour.temperature.uv_to_CCT(uv, "Ohno 2013")
    light = colour.temperature.CCT_to_uv(
        [1e6 / np.clip(1e6 / kelvin + mired, 40, 599.8), off + duv], "Ohno 2013"
    )
    m = adaptation(D65, colour.UCS_uv_to_xy(light)) @ BT2020.matrix_RGB_to_XYZ
    m = np.linalg.inv(BT2020.matrix_RGB_to_XYZ) @ m
    return rgb + density[..., None] * (rgb @ m.T - rgb)


def level(rgb):
    a = np.abs(rgb)
    n = (a**3).sum(-1) / ((a**2).sum(-1) + 1e-30)
    return np.log2(np.sqrt(n**2 + 2.0**-24))


def contrast(rgb, density, slope=1.0):
    x = level(rgb)
    grey = (x * density).sum() / density.sum()
    return rgb * np.exp2((slope - 1) * density * (x - grey))[..., None]


def saturation(rgb, density, factor=1.0):
    lab = oklab(rgb)
    lab[..., 1:] *= (1 + (factor - 1) * density)[..., None]
    return from_oklab(lab)


def turn(rgb, density, degrees=0.0):
    lab = oklab(rgb)
    z = (lab[..., 1] + 1j * lab[..., 2]) * np.exp(1j * np.radians(degrees) * density)
    return from_oklab(np.stack([lab[..., 0], z.real, z.imag], -1))


def tint(rgb, density, hue=0.0, chroma=0.0):
    lab = oklab(rgb)
    lab[..., 1] += density * lab[..., 0] * chroma * np.cos(np.radians(hue))
    lab[..., 2] += density * lab[..., 0] * chroma * np.sin(np.radians(hue))
    return from_oklab(lab)


EDITS = {
    "balance": balance, "dodge": dodge, "burn": burn, "contrast": contrast,
    "saturation": saturation, "hue": turn, "tint": tint,
}  # fmt: skip


def ellipse(height, width, centre, radii, feather):
    """An upright ellipse's density, by the formula that its docstring gives; no hard edges."""
    y, x = np.mgrid[0:height, 0:width] + 0.5
    rho = np.hypot((x / width - centre[0]) / radii[0], (y / height - centre[1]) / radii[1])
    t = np.clip((1 + feather / 2 - rho) / feather, 0, 1)
    return t**3 * (10 - 15 * t + 6 * t**2)
