"""The modulation that a picture of a slanted edge shows: e-SFR, after ISO 12233.

The steps are the standard's: an edge about 5 degrees from upright in linear light, every row's
crossing, a straight line through them, all pixels laid on one profile four times as fine, its
slope, a window, a Fourier transform.
"""

from __future__ import annotations

import numpy as np

FINER = 4
ANGLE_DEG = 5.0
DARK, BRIGHT = 0.18, 0.72
"""Linear light of contrast 4:1, which ISO 12233:2014 asks for."""


def edge(height, width, blur_px=0.0, finer=4):
    """Dark on the left, bright on the right, each pixel the mean over its square: linear, 2-D.

    ``blur_px`` is the standard deviation of a Gaussian over the scene. A pixel's mean is taken of
    ``finer`` samples squared.
    """
    x = (np.arange(width * finer) + 0.5) / finer - width / 2
    y = (np.arange(height * finer) + 0.5) / finer - height / 2
    angle = np.radians(ANGLE_DEG)
    away = np.cos(angle) * x[None, :] - np.sin(angle) * y[:, None]
    if blur_px:
        from scipy.special import ndtr

        share = ndtr(away / blur_px)
    else:
        share = (away * finer + 0.5).clip(0, 1)
    share = share.reshape(height, finer, width, finer).mean(axis=(1, 3))
    return DARK + (BRIGHT - DARK) * share


def sfr(picture, reach_px=24):
    """Frequencies in cycles a pixel across the edge, up to 0.5, and the modulation at each.

    Pixels up to ``reach_px`` away from the edge count.
    """
    rows, columns = picture.shape
    rise = np.diff(picture, axis=1)
    crossings = (rise * (np.arange(columns - 1) + 0.5)).sum(axis=1) / rise.sum(axis=1)
    lean, start = np.polyfit(np.arange(rows), crossings, 1)
    away = np.arange(columns)[None, :] - start - lean * np.arange(rows)[:, None]
    place = np.floor(away / np.hypot(1, lean) * FINER + 0.5).astype(int) + reach_px * FINER
    inside = (place >= 0) & (place < 2 * reach_px * FINER)
    profile = np.bincount(place[inside], picture[inside]) / np.bincount(place[inside])
    spread = np.gradient(profile)[1:-1]
    modulation = np.abs(np.fft.rfft(spread * np.hamming(spread.size)))
    frequency = np.fft.rfftfreq(spread.size, 1 / FINER)
    # what the measuring itself takes: a slope over two samples, the mean within a sample
    modulation /= modulation[0] * np.sinc(2 * frequency / FINER) * np.sinc(frequency / FINER)
    return frequency[frequency <= 0.5], modulation[frequency <= 0.5]


def mtf50(frequency, modulation):
    """Where modulation first falls to half, in cycles a pixel."""
    after = int(np.argmax(modulation < 0.5))
    return np.interp(0.5, modulation[[after, after - 1]], frequency[[after, after - 1]])
