"""Conversions needed at the edge; inside, every quantity carries its unit in its name.

Standard gravity and the inch stand here alone: a g is the same g in every file.
"""

STANDARD_GRAVITY_M_S2 = 9.80665
"""Standard gravity g_n, exact by definition (3rd CGPM, 1901; ISO 80000-3)."""

INCH_M = 0.0254
"""The inch in metres, exact by definition."""


def impact_velocity_m_s(drop_height_mm: float) -> float:
    """Velocity at the end of a free fall without drag, √(2 g h).

    Parameters
    ----------
    drop_height_mm : float
        Height of the lowest point above the surface at release, in mm.

    Returns
    -------
    float
        Velocity at impact, in m/s. Source: free fall; ISO 2248 allows ±1 % on it.
    """
    return float((2.0 * STANDARD_GRAVITY_M_S2 * drop_height_mm / 1000.0) ** 0.5)


def fall_height_mm(fall_time_s: float) -> float:
    """Height of a free fall from rest without drag, ½ g t².

    Parameters
    ----------
    fall_time_s : float
        From release to impact, in s.

    Returns
    -------
    float
        Height in mm. Source: free fall.
    """
    return 500.0 * STANDARD_GRAVITY_M_S2 * fall_time_s**2
