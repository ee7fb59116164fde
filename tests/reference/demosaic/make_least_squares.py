"""Weights of the least squares demosaic, and the variance of white noise that it and a Lanczos-3 kernel leave.

    python make_least_squares.py > least_squares.json

Written against numpy alone, over all 49 samples one by one where the program sums groups of them.
"""
import json

import numpy as np

FWHM_PX = [1.8, 2.1, 2.4, 2.75, 3.1, 3.5]
SCATTER, OF_GREEN, DENSITY, NOISE, REACH = 0.2, 0.6, 1 / 113, 1e-4, 3
AT_GREEN = [(0, 0), (0, 1), (0, 2), (0, 3), (1, 0), (2, 0), (3, 0), (1, 1), (1, 2), (2, 1), (1, 3), (3, 1), (2, 2)]
AT_COLOR = [(0, 0), (0, 1), (0, 2), (0, 3), (1, 1), (1, 2), (1, 3), (2, 2)]


def color(y, x):
    """RGGB: 0, 1, 2 for red, green, blue."""
    return 1 if (y + x) % 2 else (0 if y % 2 == 0 else 2)


def together(distance_squared, one, other):
    variances = [(fwhm / 2.35482) ** 2 for fwhm in FWHM_PX]
    profile = np.mean([np.pi * v * np.exp(-distance_squared / (4 * v)) for v in variances])
    # Mean of a log-normal, and its mean square.
    mean = {0: OF_GREEN * np.exp(SCATTER**2 / 2), 1: 1.0, 2: OF_GREEN * np.exp(SCATTER**2 / 2)}
    square = {0: OF_GREEN**2 * np.exp(2 * SCATTER**2), 1: 1.0, 2: OF_GREEN**2 * np.exp(2 * SCATTER**2)}
    return DENSITY * profile * (square[one] if one == other else mean[one] * mean[other])


def solve(groups, both_ways, origin, sought):
    members = []
    for down, across in groups:
        turned = {(down, across), (across, down)} if both_ways else {(down, across)}
        members.append(sorted({(a * y, b * x) for y, x in turned for a in (1, -1) for b in (1, -1)}))
    at = lambda place: color(place[0] + origin[0], place[1] + origin[1])
    n = len(groups)
    system, right = np.zeros((n + 3, n + 3)), np.zeros(n + 3)
    for row, places in enumerate(members):
        for column, others in enumerate(members):
            system[row, column] = sum(
                together((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2, at(p), at(q)) + NOISE * (p == q)
                for p in places
                for q in others
            )
        right[row] = sum(together(p[0] ** 2 + p[1] ** 2, at(p), sought) for p in places)
        for channel in range(3):
            system[row, n + channel] = system[n + channel, row] = sum(at(p) == channel for p in places)
    right[n + sought] = 1
    # A color without samples has an empty row: least squares leaves its multiplier at nothing.
    weights = np.linalg.lstsq(system, right, rcond=1e-13)[0][:n]
    kernel = np.zeros((7, 7))
    for places, weight in zip(members, weights):
        for y, x in places:
            kernel[y + REACH, x + REACH] = weight
    return weights, kernel


def filtered(picture, kernel):
    height, width = picture.shape
    padded = np.pad(picture, REACH, mode="reflect")
    return sum(kernel[y, x] * padded[y : y + height, x : x + width] for y in range(7) for x in range(7))


def gains(sampled, green, other):
    size = 768
    noise = np.random.default_rng(1).normal(size=(size, size))
    y, x = np.mgrid[:size, :size]
    colors = np.where((y + x) % 2 == 1, 1, np.where(y % 2 == 0, 0, 2))
    across, along = filtered(noise, sampled), filtered(noise, sampled.T)
    third, middle = filtered(noise, other), filtered(noise, green)
    planes = [
        np.where(colors == 0, noise, np.where(colors == 2, third, np.where(y % 2 == 0, across, along))),
        np.where(colors == 1, noise, middle),
        np.where(colors == 2, noise, np.where(colors == 0, third, np.where(y % 2 == 1, across, along))),
    ]
    phases = np.arange(64) / 64
    t = np.arange(-2, 4)[None] - phases[:, None]
    weights = np.sinc(t) * np.sinc(t / 3)
    weights /= weights.sum(1, keepdims=True)
    hang = [np.mean((weights[:, : 6 - k] * weights[:, k:]).sum(1)) for k in range(6)]
    left = []
    for plane in planes:
        inner = plane[8:-8, 8:-8]
        rows, columns = inner.shape
        total = 0.0
        for dy in range(-5, 6):
            for dx in range(-5, 6):
                one = inner[max(0, dy) : rows + min(0, dy), max(0, dx) : columns + min(0, dx)]
                two = inner[max(0, -dy) : rows + min(0, -dy), max(0, -dx) : columns + min(0, -dx)]
                total += hang[abs(dy)] * hang[abs(dx)] * float((one * two).mean())
        left.append(round(total, 3))
    return left


at_green, sampled = solve(AT_GREEN, False, (0, 1), 0)
green, middle = solve(AT_COLOR, True, (0, 0), 1)
other, third = solve(AT_COLOR, True, (0, 0), 2)
rounded = lambda weights: [round(float(weight), 7) for weight in weights]
print(
    json.dumps(
        {
            "numpy": np.__version__,
            "at_green": rounded(at_green),
            "green": rounded(green),
            "other": rounded(other),
            "variance_left_after_lanczos_3": gains(sampled, middle, third),
        }
    )
)
