#!/usr/bin/env python3
"""What a careful script does with a recording: reads it, decides once an hour whether the gravity is
stable, and takes a hysteresis step at each reading of the probe.

The rule: readings beyond 3 scaled median deviations of the last 16 are left out, the rest go into
hourly medians. Over the last 48 h (0.5 points a day) and 72 h (1 point a day) the slope must be shown
to be smaller by two one-sided tests with Newey-West errors, by the interval of Theil and Sen, and by
the medians of the first and the last 12 h; three hours in a row declare it.
Sources: Hampel (1974), Newey and West (1987), Schuirmann (1987), Theil (1950), Sen (1968); from memory.
"""
import csv
import math
import sys
from datetime import datetime

import numpy as np
from scipy import stats

WINDOWS = ((48, 0.0005 / 24), (72, 0.001 / 24))
SETPOINT, HALF_BAND = 18.0, 0.3


def read(path):
    """Times in hours and values of the float, then of the probe."""
    gravity, beer, began = [], [], None
    with open(path, newline="") as file:
        for row in csv.DictReader(file):
            at = datetime.fromisoformat(row["time"].replace("Z", "+00:00")).timestamp() / 3600
            began = at if began is None else began
            if row["gravity_sg"]:
                gravity.append((at - began, float(row["gravity_sg"])))
            elif row["temperature_c"]:
                beer.append((at - began, float(row["temperature_c"])))
    return np.array(gravity), np.array(beer)


def outliers(values, count=16, bound=3.0, floor=3.13e-4):
    flags = np.zeros(len(values), bool)
    for i in range(len(values)):
        window = values[max(0, i - count + 1) : i + 1]
        middle = np.median(window)
        spread = max(1.4826 * np.median(np.abs(window - middle)), floor)
        flags[i] = abs(values[i] - middle) > bound * spread
    return flags


def hourly(hours, values, flags):
    bins = np.full(int(math.floor(hours[-1])) + 1, np.nan)
    places = np.floor(hours).astype(int)
    for hour in range(len(bins)):
        inside = values[(places == hour) & ~flags]
        if len(inside):
            bins[hour] = np.median(inside)
    return bins


def slope_error(x, y, lags=6):
    """Slope and the larger of its plain and its Newey-West error."""
    n = len(x)
    design = np.c_[np.ones(n), x]
    inverse = np.linalg.inv(design.T @ design)
    fit = inverse @ design.T @ y
    rest = y - design @ fit
    scores = design * rest[:, None]
    middle = scores.T @ scores
    for lag in range(1, lags + 1):
        cross = scores[lag:].T @ scores[:-lag]
        middle += (1 - lag / (lags + 1)) * (cross + cross.T)
    robust = inverse @ middle @ inverse * n / (n - 2)
    plain = (rest @ rest) / (n - 2) * inverse[1, 1]
    return fit[1], math.sqrt(max(plain, robust[1, 1]))


def is_stable(bins, hour, window, bound):
    values = bins[hour - window : hour]
    good = np.isfinite(values)
    if good.sum() < 0.75 * window:
        return False
    x = (np.arange(hour - window, hour) + 0.5)[good]
    y = values[good]
    slope, error = slope_error(x - (hour - window / 2), y)
    if error > 0:
        freedom = len(x) - 2
        chance = max(
            stats.t.sf((slope + bound) / error, freedom),
            stats.t.cdf((slope - bound) / error, freedom),
        )
    else:
        chance = 0.0 if abs(slope) < bound else 1.0
    middle = stats.theilslopes(y, x, 0.90)
    late, early = y[x > hour - 12], y[x < hour - window + 12]
    level = abs(np.median(late) - np.median(early)) if len(late) and len(early) else math.inf
    inside = middle.low_slope > -bound and middle.high_slope < bound
    return chance < 0.05 and inside and level <= 0.00101


def decide(gravity):
    hours, values = gravity[:, 0], gravity[:, 1]
    bins = hourly(hours, values, outliers(values))
    streak, declared = 0, None
    for hour in range(48, len(bins) + 1):
        stable = any(hour >= w and is_stable(bins, hour, w, bound) for w, bound in WINDOWS)
        streak = streak + 1 if stable else 0
        if streak >= 3 and declared is None:
            declared = hour
    return declared


def switch(beer):
    heater = chiller = False
    starts = 0
    for _, celsius in beer:
        error = celsius - SETPOINT
        before = heater or chiller
        heater = error < -HALF_BAND or (heater and error < 0)
        chiller = error > HALF_BAND or (chiller and error > 0)
        starts += (heater or chiller) and not before
    return starts


def main():
    gravity, beer = read(sys.argv[1])
    print(f"script: stable after {decide(gravity)} h, {switch(beer)} starts")


main()
