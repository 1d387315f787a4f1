"""The likelihood once more, seed by seed and hour by hour in plain Python, as a second opinion."""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import minimize

from thermosprout.calibration.likelihood import NOTED_SPREAD, SLIPS
from thermosprout.emergence.course_table import refine
from thermosprout.emergence.response import response

_HALF_WIDTH, _POINTS = 8.0, 161


def phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def log_beta(a: float, b: float) -> float:
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


def thermal_times(crop, value, series, first_h, plot):
    """Thermal time from planting to each inspection, summed in steps of ten minutes."""
    base = value["t_base_C"]
    opt = base + value["opt_gap_C"]
    top = opt + value["ceiling_gap_C"]
    hours = plot.hours if plot.noted_h is None else np.array(plot.noted_h)
    if plot.constant_C is not None:
        rate = float(response(crop.response, plot.constant_C, base, opt, top, value["curvature"]))
        return [rate * (h - plot.planted_h) / 24.0 for h in hours], None
    fine = refine(series)
    total, sums = 0.0, []
    wanted = list(hours)
    rates = response(crop.response, fine, base, opt, top, value["curvature"])
    for step in range(fine.size):
        begin = first_h + step / 6.0
        for hour in wanted[len(sums) :]:
            if begin <= hour < begin + 1 / 6.0:
                part = max(hour - max(begin, plot.planted_h), 0.0) / 24.0
                sums.append(total + rates[step] * part)
        if begin + 1 / 6.0 > plot.planted_h:
            total += rates[step] * (begin + 1 / 6.0 - max(begin, plot.planted_h)) / 24.0
    return sums, fine


def plot_log_likelihood(crop, value, series, first_h, plot, *, share, slips=SLIPS):
    """One direct-sown plot, with a given final share; a sum over seeds in a sum over speeds."""
    sums, _ = thermal_times(crop, value, series, first_h, plot)
    theta = value["thermal_time_50_Cd"]
    part = value["germination_share"]
    deeper = value["depth_cost_Cd_per_cm"] * (plot.depth_cm - 1.27)
    scale = part * theta + max((1 - part) * theta + deeper, 0.1 * theta)
    sigma, sd, rho = value["sigma"], value["plot_speed_sd"], value["plot_stand_rho"]
    if plot.noted_h is not None:
        spread = math.hypot(sigma * NOTED_SPREAD, sd)
        low, high = ((math.log(max(s, 1e-12)) - math.log(scale)) / spread for s in sums)
        return math.log((1 - SLIPS) * (phi(high) - phi(low)) + SLIPS / 60.0)
    spans = np.diff(plot.hours, prepend=plot.planted_h)
    total_span = spans.sum()
    step = 2 * _HALF_WIDTH / (_POINTS - 1)
    terms = []
    for node in range(_POINTS):
        speed = -_HALF_WIDTH + node * step
        shown, before = [], 0.0
        for index, thermal in enumerate(sums):
            z = (math.log(max(thermal, 1e-12)) - math.log(scale) - sd * speed) / sigma
            now = phi(z) if thermal >= 0.05 else 0.0
            gain = (1 - slips) * (now - before) + slips * spans[index] / total_span
            shown.append(max(gain, 1e-300))
            before = now
        last = sum(shown)
        log_seeds = 0.0
        for index, came in enumerate(plot.new):
            for _ in range(int(came)):
                log_seeds += math.log(shown[index] / last)
        p = share * last
        partial = last * (1 - share) * rho / (1 - share * last)
        strength = (1 - partial) / partial
        a, b = p * strength, (1 - p) * strength
        stand = log_beta(a + plot.emerged, b + plot.seeds - plot.emerged) - log_beta(a, b)
        terms.append(log_seeds + stand - 0.5 * speed**2)
    top = max(terms)
    return top + math.log(sum(math.exp(t - top) for t in terms) * step / math.sqrt(2 * math.pi))


def negative_log_posterior(w, problem, crop, series, first_h, plots, shares):
    """What Nelder-Mead minimises, seed by seed."""
    vector = problem.vectors(w[None])
    value = {n: float(v[0]) for n, v in crop.estimate.natural(vector).items()}
    total = sum(
        plot_log_likelihood(crop, value, series, first_h, plot, share=share)
        for plot, share in zip(plots, shares, strict=True)
    )
    return -(total + float(problem.log_prior(w[None])[0]))


def fit_by_loop(problem, crop, series, first_h, plots, shares, evaluations):
    """Nelder-Mead over the loop, stopped after some evaluations."""
    return minimize(
        negative_log_posterior, np.zeros(problem.size), method="Nelder-Mead",
        args=(problem, crop, series, first_h, plots, shares), options={"maxfev": evaluations},
    )  # fmt: skip
