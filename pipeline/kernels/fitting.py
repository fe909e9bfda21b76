"""Fitting a correction to the readings of a 24-patch chart.

What is minimised is ΔE00, by its quadratic form at each reference colour, so that every step is a
linear least squares solution. White balance and exposure come from the neutral ramp alone; falloff
of the light across the chart from all patches together with a matrix, if that pays.

Light adds up: half of one patch and half of another is a surface whose camera RGB and XYZ are known
as well. All such pairs are fitted beside the patches, which leaves a high degree little room to
overfit them. Degree, falloff and ridge are chosen by leaving patches out. Plain float64; knows
neither files nor pictures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.correction import WHITE, XYZ_TO_WORKING, Correction, shading_shapes, terms
from pipeline.kernels.difference import delta_e_2000, lab_of

Float64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

RAMP = slice(18, 24)
"""The neutral patches, white to black."""
REACH = 0.6
"""How far out the roots see, as a share of the chart's most saturated patch. Smaller is stabler,
larger follows saturated colours further; at 0.6 neither measured camera folds in lights tried."""
RIDGES = (0.0003, 0.003, 0.03, 0.3)
"""Weights of the wish to stay with degree 1 over the working gamut."""
SMALLNESS = 3e-4
"""Weight of the wish for small factors of the roots."""
MARGIN = 0.95
"""A higher degree must bring the leave-one-out mean below this share of the lower one's."""
SHADING_MARGIN = 0.85
"""The same for falloff of light, in rms."""
SHADING_PRIOR_STOPS = 0.5
"""Falloff across a chart that would be no surprise; common practice, no source."""
LEAST_DETERMINANT = 0.1
"""Least allowed determinant of the Jacobian over the gamut, as a share of degree 1's: where it
reaches 0 the mapping folds."""
LEAST_PATCHES = {1: 12, 2: 18, 3: 20}
LEAST_GREYS = 2
LEAST_CHROMA = 1e-3
"""Least spread of the readings' chromaticities across their second direction, summed in squares."""


def fit_correction(
    measured: ArrayLike,
    reference: ArrayLike,
    *,
    usable: ArrayLike | None = None,
    noise: ArrayLike | None = None,
    camera_matrix: ArrayLike | None = None,
    degrees: Sequence[int] = (1, 2, 3),
) -> Correction:
    """Fit a correction to the 24 patches of a chart.

    ``measured`` (24, 3) is linear as-shot balanced camera RGB, ``reference`` (24, 3) XYZ under D50
    (Y = 1 for a perfect diffuser), both in chart order. ``usable`` (24,) leaves patches out;
    ``noise`` (24, 3), the standard error of the readings, lets noisy ones count less.
    ``camera_matrix`` (3, 3), as-shot balanced RGB to working, is what the chart is compared with
    as ``before``. Raises ``ValueError`` with a sentence where nothing can be fitted.

    Degrees above 1 are held near the matrix over the working gamut by a ridge; a mapping that folds
    anywhere in it is refused.
    """
    x, xyz, use = _checked(measured, reference, usable)
    errors = np.zeros((24, 3)) if noise is None else np.asarray(noise, np.float64)
    chart = _Chart(x, xyz, _trust(x, xyz, errors) * use)
    gains, factors = _lighting(chart)
    chart = _Chart(chart.under(gains, factors), xyz, chart.trust)
    fits: dict[int, _Fit] = {}
    refused: dict[int, str] = {}
    for degree in sorted(degrees):
        if use.sum() < LEAST_PATCHES[degree]:
            refused[degree] = f"only {use.sum()} patches can be used"
            continue
        fitted = _best_fit(chart, degree)
        if fitted is None:
            refused[degree] = "it folds colours over each other in the working gamut"
        else:
            fits[degree] = fitted
    if not fits:
        raise ValueError(f"the chart cannot be fitted: {'; '.join(refused.values())}")
    chosen = fits[min(fits)]
    for degree in sorted(fits):
        if fits[degree].loo.mean() < MARGIN * chosen.loo.mean():
            chosen = fits[degree]

    after = lab_of(terms(chart.rgb, chosen.degree, chosen.squeeze) @ chosen.coefficients.T, WHITE)
    target = lab_of(xyz, WHITE)
    distance = delta_e_2000(after, target)[use]
    plain = _matrix(chart)
    if camera_matrix is not None:
        working = np.asarray(camera_matrix, np.float64) / gains
        plain = np.asarray(np.linalg.solve(XYZ_TO_WORKING, working), np.float64)
    coefficients: Float64 = XYZ_TO_WORKING @ chosen.coefficients
    coefficients[:, 1] += 1 - coefficients.sum(axis=1)  # what rounding left
    return Correction(
        degree=chosen.degree,
        coefficients=coefficients,
        squeeze=chosen.squeeze,
        gains=gains / gains[1],
        exposure=float(gains[1]),
        ridge=chosen.ridge,
        shading=tuple(factors.tolist()),
        used=use,
        loo_mean={degree: float(fitted.loo.mean()) for degree, fitted in fits.items()},
        loo_max={degree: float(fitted.loo.max()) for degree, fitted in fits.items()},
        refused=refused,
        mean=float(distance.mean()),
        p90=float(np.percentile(distance, 90)),
        max=float(distance.max()),
        before=lab_of(_as_bright(chart.rgb @ plain.T, chart), WHITE),
        after=after,
        target=target,
    )


@dataclass(frozen=True, slots=True)
class _Chart:
    """Readings (24, 3), their XYZ, and how far each is trusted: (24,), 0 for not at all."""

    rgb: Float64
    xyz: Float64
    trust: Float64

    def under(self, gains: Float64, factors: Float64) -> Float64:
        """The readings balanced by ``gains``, and without the falloff of these factors."""
        falloff = shading_shapes(len(factors)) @ factors
        return self.rgb * gains * np.exp2(-falloff)[:, None]

    def greys(self) -> NDArray[np.intp]:
        """Which patches of the neutral ramp can be used."""
        return np.flatnonzero(self.trust[RAMP]) + RAMP.start


@dataclass(frozen=True, slots=True)
class _Fit:
    """Coefficients to XYZ (D50) of one degree, and the leave-one-out ΔE00 of the patches used."""

    degree: int
    coefficients: Float64
    squeeze: Float64
    ridge: float
    loo: Float64


def _checked(
    measured: ArrayLike, reference: ArrayLike, usable: ArrayLike | None
) -> tuple[Float64, Float64, Bools]:
    x = np.asarray(measured, np.float64)
    xyz = np.asarray(reference, np.float64)
    if x.shape != (24, 3) or xyz.shape != (24, 3):
        raise ValueError("a chart has 24 patches of three values")
    if not (np.isfinite(xyz).all() and xyz.min() >= 0 and xyz[RAMP, 1].min() > 0):
        raise ValueError("the chart's reference colours are not all finite and positive")
    use = np.ones(24, np.bool_) if usable is None else np.array(usable, np.bool_)
    use &= np.isfinite(x).all(axis=1) & (x.sum(axis=1) > 0)
    use[RAMP] &= (x[RAMP] > 0).all(axis=1)
    if use[RAMP][:-1].sum() < LEAST_GREYS:
        raise ValueError("too few neutral patches can be used: at least two must be well exposed")
    if use.sum() < LEAST_PATCHES[1]:
        raise ValueError(
            f"only {use.sum()} of the 24 patches can be used; at least {LEAST_PATCHES[1]} must be"
        )
    mean = x[use].mean(axis=1, keepdims=True)
    if np.linalg.svd((x[use] - mean) / mean, compute_uv=False)[1] < LEAST_CHROMA:
        raise ValueError("the readings have no colours to tell apart: is the picture monochrome?")
    return np.where(use[:, None], x, 0), xyz, use


# least squares in ΔE00


def difference_weights(xyz: Float64) -> Float64:
    """W (n, 3, 3) with |W d| = ΔE00 of a small difference d of XYZ at each ``xyz`` (n, 3)."""
    lab = lab_of(xyz, WHITE)
    step = 0.05
    axes = np.eye(3) * step

    def squared(d: Float64) -> Float64:
        return (delta_e_2000(lab, lab + d) ** 2 + delta_e_2000(lab, lab - d) ** 2) / 2

    form = np.empty((len(lab), 3, 3))
    for i in range(3):
        form[:, i, i] = squared(axes[i])
        for j in range(i):
            mixed = (squared(axes[i] + axes[j]) - squared(axes[i] - axes[j])) / 4
            form[:, i, j] = form[:, j, i] = mixed
    root = np.linalg.cholesky(form / step**2).transpose(0, 2, 1)
    return np.asarray(root @ _lab_slopes(xyz), np.float64)


def _lab_slopes(xyz: Float64) -> Float64:
    """The derivative of Lab by XYZ, (n, 3, 3); the formulas of ``difference.lab_of``."""
    t = xyz / WHITE
    cut = (6 / 29) ** 3
    slope = np.where(t > cut, np.maximum(t, cut) ** (-2 / 3) / 3, (29 / 6) ** 2 / 3) / WHITE
    return np.array([[0, 116, 0], [500, -500, 0], [0, 200, -200]]) * slope[:, None, :]


def _trust(rgb: Float64, xyz: Float64, noise: Float64) -> Float64:
    """How far each reading is trusted, (24,): noise worth 0.5 ΔE00 costs it a third."""
    level = np.maximum(rgb.mean(axis=1, keepdims=True), 1e-9)
    disturbed = np.linalg.norm(
        difference_weights(xyz) @ (noise / level * xyz)[:, :, None], axis=(1, 2)
    )
    return np.asarray(1 / np.sqrt(1 + (disturbed / 0.5) ** 2), np.float64)


def _rows(t: Float64, xyz: Float64, weights: Float64) -> tuple[Float64, Float64]:
    """The least squares rows of points with terms ``t``: (n, 3, unknowns) and (n, 3).

    Unknown are all coefficients but each row's second (green), which is what the others leave of
    white: so white is exact.
    """
    free = np.delete(t - t[:, 1:2], 1, axis=1)
    rows = np.einsum("nij,nk->nijk", weights, free).reshape(len(t), 3, -1)
    return rows, np.einsum("nij,nj->ni", weights, xyz - t[:, 1:2] * WHITE)


def _coefficients(unknowns: Float64) -> Float64:
    """(3, terms) from the unknowns of ``_rows``."""
    free = unknowns.reshape(3, -1)
    return np.insert(free, 1, WHITE - free.sum(axis=1), axis=1)


def _reduced(*blocks: tuple[Float64, Float64]) -> tuple[Float64, Float64]:
    """As few rows as there are unknowns, and one, with the same least squares: QR's triangle."""
    rows = np.concatenate([rows.reshape(-1, rows.shape[-1]) for rows, _ in blocks])
    right = np.concatenate([right.reshape(-1) for _, right in blocks])
    triangle = np.asarray(np.linalg.qr(np.column_stack([rows, right]), mode="r"), np.float64)
    return triangle[:, :-1], triangle[:, -1]


def _solution(*blocks: tuple[Float64, Float64]) -> Float64:
    """Unknowns of least squares over blocks of rows."""
    rows, right = _reduced(*blocks)
    return np.asarray(np.linalg.solve(rows[:-1], right[:-1]), np.float64)


def _normal(block: tuple[Float64, Float64]) -> tuple[Float64, Float64]:
    """The normal equations' two sides of one block of rows."""
    rows = block[0].reshape(-1, block[0].shape[-1])
    return rows.T @ rows, rows.T @ block[1].reshape(-1)


def _matrix(chart: _Chart) -> Float64:
    """The 3 × 3 matrix to XYZ of least ΔE00."""
    weights = difference_weights(chart.xyz) * chart.trust[:, None, None]
    return _coefficients(_solution(_rows(chart.rgb, chart.xyz, weights)))


# light


def _lighting(chart: _Chart) -> tuple[Float64, Float64]:
    """Gains (3,) that balance and expose, and the factors of the light's falloff, if it pays."""
    gains, factors, least = _lighting_with(chart, 0)
    for count in (2, 5):
        other_gains, other_factors, rms = _lighting_with(chart, count)
        if rms < SHADING_MARGIN * least:
            gains, factors, least = other_gains, other_factors, rms
    return gains, factors


def _lighting_with(chart: _Chart, count: int) -> tuple[Float64, Float64, float]:
    """Gains and ``count`` factors of falloff, solved together with a matrix; leave-one-out rms.

    Gauss and Newton: each pass is one linear solution for the matrix and the factors' change.
    """
    weights = difference_weights(chart.xyz) * chart.trust[:, None, None]
    shapes = shading_shapes(count)
    prior = np.eye(count) / SHADING_PRIOR_STOPS
    factors = np.zeros(count)
    gains = _ramp_gains(chart.rgb, chart, None)
    matrix = _matrix(_Chart(chart.under(gains, factors), chart.xyz, chart.trust))
    for _ in range(12):
        lit = chart.under(gains, factors)
        rows, right = _rows(lit, chart.xyz, weights)
        dimming = -np.log(2) * np.einsum("nij,nj,nk->nik", weights, lit @ matrix.T, shapes)
        rows = np.concatenate([rows, dimming], axis=2)
        held = np.concatenate([np.zeros((count, 6)), prior], axis=1)
        unknowns = _solution((rows, right), (held, -prior @ factors))
        matrix = _coefficients(unknowns[:6])
        factors = factors + unknowns[6:]
        gains = _ramp_gains(chart.under(np.ones(3), factors), chart, matrix)
    # leaving a patch out, without solving again: its residual over what the others leave free
    rows, right = rows[chart.trust > 0], right[chart.trust > 0]
    square = _normal((rows, right))[0] + held.T @ held
    inverse = np.linalg.inv(square)
    residual = right - rows @ unknowns
    own = np.einsum("nik,kl,njl->nij", rows, inverse, rows)
    without = np.linalg.solve(np.eye(3) - own, residual[:, :, None])
    return gains, factors, float(np.sqrt((without**2).sum(axis=1).mean()))


def _ramp_gains(lit: Float64, chart: _Chart, matrix: Float64 | None) -> Float64:
    """Gains (3,) with which ``matrix`` gives the neutral ramp its published colours.

    Without a matrix: that give it its luminance in all channels.
    """
    grey = chart.greys()
    wanted = np.asarray(np.repeat(chart.xyz[grey, 1:2], 3, axis=1), np.float64)
    if matrix is not None:
        wanted = np.asarray(np.linalg.solve(matrix, chart.xyz[grey].T).T, np.float64)
    # dark patches carry flare and noise
    say = chart.trust[grey] * chart.xyz[grey, 1] / (chart.xyz[grey, 1] + 0.1)
    stops = np.log(np.maximum(wanted, 1e-9) / lit[grey])
    return np.asarray(np.exp(say @ stops / say.sum()), np.float64)


def _as_bright(found: Float64, chart: _Chart) -> Float64:
    """XYZ (24, 3) scaled so that the ramp is as luminous as published."""
    grey = chart.greys()
    ratio = chart.xyz[grey, 1] / np.maximum(found[grey, 1], 1e-9)
    return np.asarray(found * np.exp(np.log(ratio).mean()), np.float64)


# one degree


def _best_fit(chart: _Chart, degree: int) -> _Fit | None:
    """The fit of least leave-one-out ΔE00 among the ridges whose mapping folds nowhere."""
    use = np.flatnonzero(chart.trust)
    chart = _Chart(chart.rgb[use], chart.xyz[use], chart.trust[use])
    squeeze = _squeeze(chart.rgb)
    if degree == 1:
        return _Samples(chart, 1, squeeze, None).fit(0.0)
    plain = _matrix(chart)
    gamut = _gamut(plain)
    samples = _Samples(chart, degree, squeeze, plain)
    fits = sorted((samples.fit(ridge) for ridge in RIDGES), key=lambda fit: float(fit.loo.mean()))
    for fit in fits:
        if _determinants(fit, gamut).min() > LEAST_DETERMINANT * np.linalg.det(plain):
            return fit
    return None


class _Samples:
    """The least squares rows of patches, pairs and gamut for one degree, ready to be solved."""

    def __init__(self, chart: _Chart, degree: int, squeeze: Float64, plain: Float64 | None) -> None:
        self.chart, self.degree, self.squeeze = chart, degree, squeeze
        count = len(chart.rgb)
        first, second = np.triu_indices(count, 1)
        rgb = (chart.rgb[first] + chart.rgb[second]) / 2
        xyz = (chart.xyz[first] + chart.xyz[second]) / 2
        # all pairs together weigh as much as the patches
        trust = np.sqrt(chart.trust[first] * chart.trust[second] * count / len(first))
        rgb, xyz = np.concatenate([chart.rgb, rgb]), np.concatenate([chart.xyz, xyz])
        trust = np.concatenate([chart.trust, trust])
        alone = np.arange(count)
        self.parts = np.stack([np.r_[alone, first], np.r_[alone, second]])
        weights = difference_weights(xyz) * trust[:, None, None]
        self.rows, self.right = _rows(terms(rgb, degree, squeeze), xyz, weights)
        self.all = _reduced((self.rows, self.right))
        self.held: tuple[Float64, Float64] | None = None
        if plain is not None:
            self.held = self._held(plain)

    def _held(self, plain: Float64) -> tuple[Float64, Float64]:
        """Rows that ask for what degree 1 gives, in Lab, evenly over the working gamut."""
        rgb = _gamut(plain, 12) / 2
        xyz = rgb @ plain.T
        weights = _lab_slopes(np.maximum(xyz, 0.02)) * np.sqrt(len(self.chart.rgb) / len(rgb)) / 3
        return _reduced(_rows(terms(rgb, self.degree, self.squeeze), xyz, weights))

    def _small(self) -> tuple[Float64, Float64]:
        """Rows that ask for small factors of the roots.

        Near grey the roots are almost functions of each other: free, their factors would grow to
        thousands that cancel, which float32 cannot hold.
        """
        count = self.rows.shape[2] // 3
        roots = np.tile(np.arange(count) >= 2, 3)
        return np.diag(np.sqrt(SMALLNESS) * roots), np.zeros(3 * count)

    def fit(self, ridge: float) -> _Fit:
        """The fit at one ridge, and what each patch costs when it and its pairs are left out."""
        blocks = [self.all, self._small()]
        if self.held is not None:
            blocks.append((self.held[0] * np.sqrt(ridge), self.held[1] * np.sqrt(ridge)))
        coefficients = _coefficients(_solution(*blocks))
        square, product = (sum(sums) for sums in zip(*map(_normal, blocks), strict=True))
        left_out = np.empty_like(self.chart.rgb)
        for patch in range(len(self.chart.rgb)):
            mine = (self.parts == patch).any(axis=0)
            less_square, less_product = _normal((self.rows[mine], self.right[mine]))
            unknowns = np.linalg.solve(square - less_square, product - less_product)
            t = terms(self.chart.rgb[patch], self.degree, self.squeeze)
            left_out[patch] = t @ _coefficients(unknowns).T
        loo = delta_e_2000(lab_of(left_out, WHITE), lab_of(self.chart.xyz, WHITE))
        return _Fit(self.degree, coefficients, self.squeeze, ridge, loo)


def _squeeze(rgb: Float64) -> Float64:
    """The ellipse of ``correction.squeezed``: the shape of the colours' own scatter about grey.

    Its size is ``REACH`` of the most saturated colour's, and less where a channel would come near
    to 0 within it.
    """
    mean = rgb.mean(axis=1, keepdims=True)
    d = ((rgb - mean) / mean)[:, [0, 2]]
    scatter = d.T @ d / len(d)
    furthest = np.einsum("ni,ij,nj->n", d, np.linalg.inv(scatter), d).max()
    ellipse = scatter * furthest * REACH**2
    channels = np.array([[1, 0], [-1, -1], [0, 1]])
    widest = np.sqrt(np.einsum("ci,ij,cj->c", channels, ellipse, channels).max())
    form = np.linalg.inv(ellipse * min(1.0, 0.95 / widest) ** 2)
    return np.array([form[0, 0], form[0, 1], form[1, 1]])


# the working gamut


def _gamut(plain: Float64, steps: int = 120) -> Float64:
    """Balanced camera RGB of every chromaticity of the working gamut, (n, 3), by a matrix to XYZ.

    Corrections are homogeneous: one brightness stands for all.
    """
    i, j = np.meshgrid(np.arange(steps + 1), np.arange(steps + 1))
    inside = i + j <= steps
    working = np.stack([i[inside], j[inside], steps - i[inside] - j[inside]], axis=1) / steps
    return np.asarray(working @ np.linalg.inv(XYZ_TO_WORKING @ plain).T, np.float64)


def _determinants(fit: _Fit, rgb: Float64) -> Float64:
    """The determinant of the Jacobian (balanced RGB to XYZ) at colours (n, 3), by differences."""
    step = 1e-5
    slopes = [
        terms(rgb + step * axis, fit.degree, fit.squeeze)
        - terms(rgb - step * axis, fit.degree, fit.squeeze)
        for axis in np.eye(3)
    ]
    jacobian = fit.coefficients @ (np.stack(slopes, axis=-1) / (2 * step))
    return np.asarray(np.linalg.det(jacobian), np.float64)
