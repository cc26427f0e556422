"""Follow evenly ruled strokes along a strip, through perspective, and count them without slips.

Along a straight line on the seat the strokes of a ruler are evenly spaced in millimetres;
in the picture their spacing drifts as a projective function of the place. The local
frequency is followed window by window, then the *phase* of all windows together settles
one smooth map from pixels to periods. A stroke missed or doubled here and there moves no
phase by a whole period, so it cannot shift the count.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.scale.strips import Strip, rotated_cut

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class LatticeSettings:
    """How periods are followed.

    Attributes
    ----------
    row_group_px : tuple of int
        Rows averaged for finding (3 to 8), in pictures below and above 2400 px: less than the shortest stroke.
    min_peak : float
        Least mean height (natural log of power over its surroundings) of the spectral peak
        near the strip's middle for the strip to be followed at all.
    keep_peak : float
        A window whose peak is lower counts as a gap.
    max_gap_windows : int
        Gap (a quarter window each) over which a period is still followed: something lying on the ruler.
    max_phase_rms : float
        Largest rms departure from the smooth map, in periods: strokes of a ruler stay below
        0.03, chance texture wanders by more.
    max_cubic : float
        Largest cubic term as a share of the linear one: two per cent of distortion at the
        picture's corner leaves less (derived).

    Other values: measured on the sample set, 2026-11.
    """

    row_group_px: tuple[int, int] = (4, 6)
    min_peak: float = 3.2
    keep_peak: float = 2.4
    max_gap_windows: int = 5
    max_phase_rms: float = 0.06
    max_cubic: float = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodMap:
    """Place along a line in pixels to periods: u = p0 + p1 t/(1 + c t) + p3 t^3, t = (x - x0)/reach.

    The fraction is perspective; the cubic term is what lens distortion leaves along a line.
    """

    x0: float
    reach: float
    p0: float
    p1: float
    c: float
    p3: float = 0.0

    def periods(self, x: Array) -> Array:
        """Periods at x, both shape (n,)."""
        t = (x - self.x0) / self.reach
        return np.asarray(self.p0 + self.p1 * t / (1 + self.c * t) + self.p3 * t**3)

    def rate(self, x: Array) -> Array:
        """Periods per pixel at x, shape (n,)."""
        t = (x - self.x0) / self.reach
        return np.asarray((self.p1 / (1 + self.c * t) ** 2 + 3 * self.p3 * t**2) / self.reach)

    def place(self, u: Array) -> Array:
        """The x of given periods, shape (n,)."""
        v = (u - self.p0) / self.p1
        x = self.x0 + self.reach * v / (1 - self.c * v)
        for _ in range(4):
            x = x - (self.periods(x) - u) / self.rate(x)
        return np.asarray(x)


def fit_period_map(x: Array, u: Array, weight: Array, x0: float, reach: float, cubic: bool) -> PeriodMap:
    """Robust least squares of a `PeriodMap` through points; ``cubic`` frees the distortion term."""
    t = (x - x0) / reach
    slope, start = np.polyfit(t, u, 1, w=weight)
    p = np.array([start, slope, 0.0, 0.0])
    free = 4 if cubic else 3
    for _ in range(3):
        d = 1 + p[2] * t
        r = u - (p[0] + p[1] * t / d + p[3] * t**3)
        scale = max(1.4826 * float(np.median(np.abs(r))), 0.002)
        w = weight**2 / (1 + (r / (2 * scale)) ** 2) / scale**2
        jac = np.column_stack([np.ones_like(t), t / d, -p[1] * t * t / d**2, t**3])[:, :free]
        normal = (jac * w[:, None]).T @ jac
        right = (jac * w[:, None]).T @ r
        if cubic:  # perspective and distortion are alike on a short stretch: hold the latter near zero
            hold = (0.01 * p[1]) ** -2 * float(w.sum()) * scale**2 / len(t)
            normal[3, 3] += hold
            right[3] -= hold * p[3]
        normal += 1e-12 * np.trace(normal) * np.eye(free)
        p[:free] += np.linalg.solve(normal, right)
        p[2] = float(np.clip(p[2], -0.45, 0.45))
    return PeriodMap(x0=x0, reach=reach, p0=float(p[0]), p1=float(p[1]), c=float(p[2]), p3=float(p[3]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """Evenly spaced strokes along one straight band.

    Attributes
    ----------
    cut : uint8 array
        The strip cut along its line from the full picture.
    origin_px : float array, shape (2,)
        Full-picture point of column 0, row 0 of the cut.
    direction_rad : float
        Of the cut's columns, in the picture.
    map : PeriodMap
        Column to periods on the band's line.
    line : float array, shape (2,)
        Row of the band's line: line[0] * column + line[1].
    shear : float array, shape (2,)
        Column shift of a stroke per row below the line: shear[0] + shear[1] * (column - map.x0).
    first_column, last_column : float
        Where the strokes are followed.
    rms_periods : float
        Departure of the windows' phases from the map.
    """

    cut: NDArray[np.uint8]
    origin_px: Array
    direction_rad: float
    map: PeriodMap
    line: Array
    shear: Array
    first_column: float
    last_column: float
    rms_periods: float

    def to_px(self, columns: Array, rows: Array) -> Array:
        """Cut coordinates to full-picture pixels, shape (n, 2)."""
        c, s = math.cos(self.direction_rad), math.sin(self.direction_rad)
        return np.column_stack([self.origin_px[0] + c * columns - s * rows, self.origin_px[1] + s * columns + c * rows])


def _window_px(shape: tuple[int, ...]) -> int:
    """Window for local frequencies: 128 px in pictures below 2400 px, else 256."""
    return 128 if max(shape) < 2400 else 256


def _chord(shape: tuple[int, ...], centre: Array, direction_rad: float) -> tuple[int, int]:
    """Pixels from a point back and forth along a direction to the picture's border, at most 0.7 of its long side."""
    longest = 0.7 * max(shape)
    low, high = -longest, longest
    steps = (math.cos(direction_rad), math.sin(direction_rad))
    for at, step, size in zip(centre, steps, (shape[1], shape[0]), strict=True):
        if abs(step) > 1e-9:
            a, b = sorted(((0.0 - at) / step, (size - 1.0 - at) / step))
            low, high = max(low, a), min(high, b)
    return max(0, int(-low)), max(0, int(high))


def _peakiness(rows: Floats, window: int) -> Floats:
    """Log power over its spectral surroundings: shape (rows, windows, frequencies), bin = 1/(2 window) per px.

    Weighted by frequency squared first, which makes the usual fall-off of a picture's
    spectrum level; surroundings are 61 bins wide.
    """
    level = rows - cv2.blur(rows, (2 * (window // 5) + 1, 1))
    hop = window // 4
    n = (level.shape[1] - window) // hop + 1
    pieces = np.lib.stride_tricks.sliding_window_view(level, window, axis=1)[:, ::hop][:, :n]
    taper = np.hanning(window).astype(np.float32)
    power = np.abs(np.fft.rfft(pieces * taper, 2 * window, axis=2)).astype(np.float32) ** 2
    f = np.arange(power.shape[2], dtype=np.float32)
    log = np.log(power * (f * f) + 1e-3 * power.mean() + 1e-9)
    flat = log.reshape(-1, log.shape[2])
    flat = flat - cv2.blur(flat, (61, 1), borderType=cv2.BORDER_REFLECT)
    peak = flat.reshape(log.shape)
    peak[..., :6] = -5.0
    return np.asarray(peak, np.float32)


def _grouped(cut: NDArray[np.uint8], group: int) -> Floats:
    rows = cut.shape[0] // group
    return np.asarray(cut[: rows * group].reshape(rows, group, -1).mean(axis=1, dtype=np.float32), np.float32)


def half_height_px(shape: tuple[int, ...]) -> int:
    """Half the height of a cut: room for the longest strokes of a ruler as long as the picture is wide."""
    return max(100, round(max(shape) / 24))


def _search_px(shape: tuple[int, ...]) -> int:
    """Rows either side of a strip's centre where its strokes are looked for: a hundredth of the long side."""
    return max(16, round(max(shape) / 100))


def rate_strip(grey: NDArray[np.uint8], strip: Strip, settings: LatticeSettings, search_px: int | None = None) -> float:
    """Height of the strongest spectral peak that the windows near the strip's middle share."""
    window = _window_px(grey.shape)
    before, after = _chord(grey.shape, strip.centre_px, strip.direction_rad)
    before, after = min(before, round(1.5 * window)), min(after, round(1.5 * window))
    if before + after < 1.5 * window:
        return 0.0
    cut = rotated_cut(grey, strip.centre_px, strip.direction_rad, before, after, search_px or _search_px(grey.shape))
    peak = _peakiness(_grouped(cut, settings.row_group_px[max(grey.shape) >= 2400]), window)
    wide = np.maximum(peak[..., 1:-1], np.maximum(peak[..., 2:], peak[..., :-2]))
    return float(wide.mean(axis=1).max())


def _follow(
    peak: Floats, seed: tuple[int, int, int], settings: LatticeSettings
) -> tuple[NDArray[np.int64], Array, Array, Array]:
    """Windows, rows, frequencies (bins) and heights of the peak followed both ways from a seed."""
    n_rows, n_windows, n_freq = peak.shape
    row0, window0, freq0 = seed
    found = {window0: (float(row0), float(freq0), float(peak[row0, window0, freq0]))}
    # Beyond the strokes chance peaks go on: far lower than the seed's, they must not bend the first map.
    least = max(settings.keep_peak, 0.5 * found[window0][2])
    for sign in (1, -1):
        row, freq, gap, w = float(row0), float(freq0), 0, window0
        while 0 <= w + sign < n_windows and gap <= settings.max_gap_windows:
            w += sign
            reach = max(1, round(0.04 * freq))
            f_low, f_high = max(6, round(freq) - reach), min(n_freq - 1, round(freq) + reach + 1)
            r_low, r_high = max(0, round(row) - 1), min(n_rows, round(row) + 2)
            if f_high <= f_low or r_high <= r_low:
                break
            part = peak[r_low:r_high, w, f_low:f_high]
            i, j = divmod(int(np.argmax(part)), part.shape[1])
            height = float(part[i, j])
            if height < least:
                gap += 1
                continue
            gap = 0
            here = float(f_low + j)
            if 0 < f_low + j < n_freq - 1:
                a, b, c = (float(v) for v in peak[r_low + i, w, f_low + j - 1 : f_low + j + 2])
                if b >= a and b >= c and a - 2 * b + c < 0:
                    here += 0.5 * (a - c) / (a - 2 * b + c)
            row += 0.3 * (r_low + i - row)
            freq = 0.5 * freq + 0.5 * here
            found[w] = (float(r_low + i), here, height)
    windows = np.array(sorted(found), np.int64)
    table = np.array([found[int(w)] for w in windows])
    return windows, table[:, 0], table[:, 1], table[:, 2]


def _robust_line(x: Array, y: Array, weight: Array, floor: float) -> Array:
    """Slope and intercept by weighted least squares without the points far off."""
    keep = np.ones(len(x), bool)
    slope, level = 0.0, 0.0
    for _ in range(3):
        w, u, v = weight[keep] ** 2, x[keep], y[keep]
        total = float(w.sum())
        mean_u, mean_v = float(w @ u) / total, float(w @ v) / total
        spread = float(w @ (u - mean_u) ** 2)
        slope = float(w @ ((u - mean_u) * (v - mean_v))) / spread if spread > 0 else 0.0
        level = mean_v - slope * mean_u
        r = np.abs(y - slope * x - level)
        keep = r <= max(floor, 2.0 * float(np.median(r)))
        if keep.sum() < 3:
            break
    return np.array([slope, level])


def _amplitudes(
    cut: NDArray[np.uint8], period_map: PeriodMap, rows: Array, centres: NDArray[np.int64], window: int
) -> Complex:
    """Complex amplitude of the map's period: rows given per column offset; shape (n_rows, n_centres).

    ``rows`` has shape (n_rows, n_columns): the cut's row to read at each column.
    """
    columns = np.broadcast_to(np.arange(cut.shape[1], dtype=np.float32), rows.shape)
    lines = cv2.remap(cut, columns, rows.astype(np.float32), cv2.INTER_LINEAR).astype(np.float64)
    turn = np.exp(-2j * np.pi * period_map.periods(np.arange(cut.shape[1], dtype=float)))
    taper = np.hanning(window)
    out = np.empty((rows.shape[0], len(centres)), np.complex128)
    for k, centre in enumerate(centres):
        part = slice(int(centre) - window // 2, int(centre) + window // 2)
        piece = lines[:, part]
        piece = piece - piece.mean(axis=1, keepdims=True)
        out[:, k] = piece @ (taper * turn[part]) * (2 / taper.sum())
    return out


def _coherent_run(amplitude: Array, phase: Array, middle: int) -> tuple[int, int]:
    """The stretch of windows round ``middle`` with enough amplitude and steady phase; gaps of three are bridged."""
    strong = float(np.percentile(amplitude, 80))
    good = (amplitude > 0.3 * strong) & (np.abs(phase) < 0.15)
    ends = []
    for sign in (1, -1):
        last, k = middle, middle
        while 0 <= k + sign < len(good) and abs(k + sign - last) <= 4:
            k += sign
            if good[k]:
                last = k
        ends.append(last)
    return ends[1], ends[0]


def _straighten(
    cut: NDArray[np.uint8],
    period_map: PeriodMap,
    line: Array,
    shear: Array,
    centres: NDArray[np.int64],
    window: int,
) -> tuple[Array, Array]:
    """Line and slant from how the strokes' amplitude and phase change from row to row in each window."""
    columns = np.arange(cut.shape[1], dtype=float)
    offsets = np.arange(-20.0, 21.0, 2.0)
    x = centres - period_map.x0
    for _ in range(2):
        z = _amplitudes(cut, period_map, offsets[:, None] + np.polyval(line, columns), centres, window)
        # Slant: the phase step between neighbouring rows, window by window.
        relative = (z[1:] * np.conj(z[:-1])).sum(axis=0)
        step = np.angle(relative) / (2 * np.pi) / (offsets[1] - offsets[0])
        weight = np.sqrt(np.abs(relative)) + 1e-9
        slant = -step / period_map.rate(centres.astype(float))
        if len(x) >= 5:
            shear = _robust_line(x.astype(float), slant, weight, 0.02)[::-1]
        # Line: shift of each window's amplitude profile against the mean profile.
        size = np.abs(z)
        size = size / size.max(axis=0)
        mean = np.median(size, axis=1)
        slope = np.gradient(mean, offsets)
        shift = -((size - mean[:, None]) * slope[:, None]).sum(axis=0) / max(float((slope**2).sum()), 1e-9)
        if len(x) >= 5:
            line = line + _robust_line(centres.astype(float), np.clip(shift, -4, 4), weight, 0.5)
    return line, shear


def follow_strip(
    grey: NDArray[np.uint8], strip: Strip, settings: LatticeSettings | None = None, search_px: int | None = None
) -> Ruling | None:
    """The evenly spaced strokes of a strip, or None when no period holds along it.

    Parameters
    ----------
    grey : uint8 array, shape (height, width)
        The full picture.
    strip : Strip
    settings : LatticeSettings, optional
    search_px : int, optional
        Rows either side of the strip's centre where the strongest period is looked for.
    """
    settings = settings or LatticeSettings()
    search = search_px or _search_px(grey.shape)
    window = _window_px(grey.shape)
    hop = window // 4
    before, after = _chord(grey.shape, strip.centre_px, strip.direction_rad)
    if before + after < 1.5 * window:
        return None
    half = half_height_px(grey.shape)
    cut = rotated_cut(grey, strip.centre_px, strip.direction_rad, before, after, half)
    group = settings.row_group_px[max(grey.shape) >= 2400]
    # Which row and frequency: from the middle windows, all rows; then only rows near it are followed.
    near = (max(0, before - round(1.5 * window)), min(cut.shape[1], before + round(1.5 * window) + 1))
    start = max(0, half - search)
    peak = _peakiness(_grouped(cut[start : half + search, near[0] : near[1]], group), window)
    shared = np.maximum(peak[..., 1:-1], np.maximum(peak[..., 2:], peak[..., :-2])).mean(axis=1)
    row0, freq0 = divmod(int(np.argmax(shared)), shared.shape[1])
    freq0 += 1
    if shared[row0, freq0 - 1] < settings.min_peak:
        return None
    centre_row = start + row0 * group
    top = max(0, centre_row - 5 * group)
    bottom = min(cut.shape[0], centre_row + 6 * group)
    peak = _peakiness(_grouped(cut[top:bottom], group), window)
    row0 = min((centre_row - top) // group, peak.shape[0] - 1)
    middle = int(np.clip(round((before - window / 2) / hop), 0, peak.shape[1] - 1))
    reach = (max(0, middle - 4), min(peak.shape[1], middle + 5))
    window0 = reach[0] + int(np.argmax(peak[row0, reach[0] : reach[1], max(6, freq0 - 1) : freq0 + 2].max(axis=1)))
    windows, rows, freq, height = _follow(peak, (row0, window0, freq0), settings)
    if len(windows) < 4:
        return None
    x = np.asarray(windows * float(hop) + window / 2, np.float64)
    line = _robust_line(x, rows * group + (group - 1) / 2 + top, height, group)
    x0 = float(x.mean())
    span = float(max(x.max() - x0, x0 - x.min()) + window / 2)
    # Frequency a/(1 + c t)^2: its inverse root is a straight line.
    root = _robust_line((x - x0) / span, (freq / (2 * window)) ** -0.5, height, 1e-3)
    fitted = PeriodMap(
        x0=x0, reach=span, p0=0.0, p1=span / root[1] ** 2, c=float(np.clip(root[0] / root[1], -0.45, 0.45))
    )
    return _settle(cut, strip, before, half, fitted, line, windows * hop + window // 2, window, settings)


def _settle(
    cut: NDArray[np.uint8],
    strip: Strip,
    before: int,
    half: int,
    fitted: PeriodMap,
    line: Array,
    centres: NDArray[np.int64],
    window: int,
    settings: LatticeSettings,
) -> Ruling | None:
    """Fit phases of all windows together; find shear, line and extent on the way."""
    columns = np.arange(cut.shape[1], dtype=float)
    step = window // 4
    centres = np.arange(int(centres.min()), int(centres.max()) + 1, step)
    shear = np.zeros(2)
    rms = 1.0
    for turn in range(5):
        # Look a little beyond what holds so far: a faint end is found once the map is good.
        more = 3 * step if turn else 0
        low, high = int(centres[0]) - more, int(centres[-1]) + more
        centres = np.arange(low, high + 1, step)
        centres = centres[(centres >= window // 2) & (centres + window // 2 <= cut.shape[1])]
        offsets = np.arange(-6.0, 7.0, 2.0)
        z = _amplitudes(cut, fitted, offsets[:, None] + np.polyval(line, columns), centres, window)
        # Strokes slant: phase changes from row to row alike in all windows. Amplitude-weighted.
        relative = z[1:] * np.conj(z[:-1])
        slope = np.angle(relative.sum()) / (2 * np.pi) / 2.0
        summed = (z * np.exp(-2j * np.pi * slope * offsets)[:, None]).sum(axis=0)
        amplitude = np.abs(summed)
        phase = np.angle(summed) / (2 * np.pi)
        if turn < 2:
            phase = np.unwrap(phase, period=1.0)
            phase -= np.round(np.median(phase))
        near = fitted
        weight = np.minimum(amplitude, np.median(amplitude)) + 1e-6
        best = int(np.argmax(np.convolve(amplitude, np.ones(3), mode="same")))
        if turn >= 1:
            first, last = _coherent_run(amplitude, phase, best) if turn >= 2 else (0, len(centres) - 1)
            if last - first < 2:
                return None
            run = slice(first, last + 1)
            centres, phase, weight, amplitude = centres[run], phase[run], weight[run], amplitude[run]
            best -= first
        x = centres.astype(float)
        reach = max(float(x[-1] - near.x0), float(near.x0 - x[0]))
        fitted = fit_period_map(x, near.periods(x) + phase, weight, near.x0, reach, turn >= 2)
        left = near.periods(x) + phase - fitted.periods(x)
        first, last = _coherent_run(amplitude, left, best)
        if last - first < 2:
            return None
        run = slice(first, last + 1)
        centres = centres[run]
        rms = float(np.sqrt(np.average(left[run] ** 2, weights=weight[run])))
        shear = np.array([-slope / float(fitted.rate(np.array([fitted.x0]))[0]), 0.0])
    if rms > settings.max_phase_rms or abs(fitted.p3) > settings.max_cubic * abs(fitted.p1):
        return None
    line, shear = _straighten(cut, fitted, line, shear, centres, window)
    c, s = math.cos(strip.direction_rad), math.sin(strip.direction_rad)
    origin = strip.centre_px - before * np.array([c, s]) - half * np.array([-s, c])
    return Ruling(
        cut=cut,
        origin_px=origin,
        direction_rad=strip.direction_rad,
        map=fitted,
        line=line,
        shear=shear,
        first_column=float(centres[0] - window // 2),
        last_column=float(centres[-1] + window // 2),
        rms_periods=rms,
    )
