"""Falling straight down with quadratic drag: closed forms to hold the flight model against."""

import numpy as np

#: Standard acceleration of gravity [m/s²] (3rd CGPM, 1901; ISO 80000-3).
G = 9.80665


def fall_time_s(terminal_velocity_m_s, height_m):
    """t = h/vt + vt/g · ln(1 + √(1 − exp(−2gh/vt²))), the form that does not overflow for
    light pieces (Univ. of Illinois, Physics Q&A, id 116)."""
    vt, height = np.asarray(terminal_velocity_m_s, float), np.asarray(height_m, float)
    root = np.sqrt(-np.expm1(-2 * G * height / vt**2))
    return height / vt + vt / G * np.log1p(root)


def fall_speed_m_s(terminal_velocity_m_s, time_s):
    """vt · tanh(g t / vt)."""
    return terminal_velocity_m_s * np.tanh(G * time_s / terminal_velocity_m_s)


def fall_distance_m(terminal_velocity_m_s, time_s):
    """vt²/g · ln cosh(g t / vt), in the form that never overflows."""
    vt, y = terminal_velocity_m_s, G * time_s / terminal_velocity_m_s
    # near 0 the first form keeps its digits
    near = np.log1p(2 * np.sinh(min(y, 1.0) / 2) ** 2)
    return vt**2 / G * (near if y < 1 else y + np.log1p(np.exp(-2 * y)) - np.log(2.0))
