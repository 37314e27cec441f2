"""Integration rules on the unit triangle (0,0), (1,0), (0,1).

Symmetric rules after D. A. Dunavant, "High degree efficient symmetrical Gaussian quadrature
rules for the triangle", Int. J. Numer. Meth. Engng 21 (1985) 1129-1148.
"""

from __future__ import annotations

import numpy as np

from rig.model.units import FloatArray

# degree: ((weight, barycentric a, b), ...); the orbit is every distinct permutation.
_ORBITS: dict[int, tuple[tuple[float, float, float], ...]] = {
    2: ((1.0 / 3.0, 2.0 / 3.0, 1.0 / 6.0),),
    4: (
        (0.223381589678011, 0.108103018168070, 0.445948490915965),
        (0.109951743655322, 0.816847572980459, 0.091576213509771),
    ),
    6: (
        (0.116786275726379, 0.501426509658179, 0.249286745170910),
        (0.050844906370207, 0.873821971016996, 0.063089014491502),
        (0.082851075618374, 0.053145049844817, 0.310352451033784),
    ),
    8: (
        (0.144315607677787, 1.0 / 3.0, 1.0 / 3.0),
        (0.095091634267285, 0.081414823414554, 0.459292588292723),
        (0.103217370534718, 0.658861384496480, 0.170569307751760),
        (0.032458497623198, 0.898905543365938, 0.050547228317031),
        (0.027230314174435, 0.008394777409958, 0.263112829634638),
    ),
}


def triangle_rule(degree: int) -> tuple[FloatArray, FloatArray]:
    """Return points (n, 2) and weights (n,) exact for polynomials of `degree` (2, 4, 6 or 8).

    The weights sum to 1/2, the area of the unit triangle. KeyError for another degree.
    """
    points: list[tuple[float, float]] = []
    weights: list[float] = []
    for weight, a, b in _ORBITS[degree]:
        c = 1.0 - a - b
        orbit = {
            (round(p, 14), round(q, 14)): (p, q)
            for p, q in ((a, b), (b, a), (a, c), (c, a), (b, c), (c, b))
        }
        points.extend(orbit.values())
        weights.extend([0.5 * weight] * len(orbit))
    return np.array(points), np.array(weights)


def smooth_projection(degree: int, order: int) -> FloatArray:
    """(n, n) matrix that replaces values at the rule's points by their best fit of `order`."""
    points, weights = triangle_rule(degree)
    u, v = points.T
    powers = [(n - j, j) for n in range(order + 1) for j in range(n + 1)]
    basis = np.column_stack([u**a * v**b for a, b in powers])
    weighted = basis * weights[:, None]
    return np.asarray(basis @ np.linalg.solve(basis.T @ weighted, weighted.T))
