"""The gauge study against the manual's worked example, statsmodels and Bland-Altman arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from rig.calibrate.gauge import agreement, gauge_study

# AIAG, Measurement Systems Analysis, 4th edition (2010), chapter III, worked example: ten parts,
# three appraisers, three trials. Data from memory; the four sums of squares equal the manual's.
FIRST = """ .29  -.56 1.34 .47  -.80  .02 .59 -.31 2.26 -1.36
        .41  -.68 1.17 .50  -.92 -.11 .75 -.20 1.99 -1.25
        .64  -.58 1.27 .64  -.84 -.21 .66 -.17 2.01 -1.31"""
SECOND = """ .08  -.47 1.19 .01  -.56 -.20 .47 -.63 1.80 -1.68
        .25 -1.22  .94 1.03 -1.20 .22 .55  .08 2.12 -1.62
        .07  -.68 1.34 .20 -1.28  .06 .83 -.34 2.19 -1.50"""
THIRD = """ .04 -1.38  .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
       -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
       -.15  -.96  .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16"""
STUDY = np.array(
    [[[float(v) for v in r.split()] for r in t.split("\n")] for t in (FIRST, SECOND, THIRD)]
)
STUDY = STUDY.transpose(2, 0, 1)  # places, operators, trials


def test_manuals_worked_study_to_the_printed_digits() -> None:
    found = gauge_study(STUDY)
    rows = {row.source: row for row in found.rows}
    squares = {name: round(row.squares, 6) for name, row in rows.items()}
    assert squares["operator"] == 3.167262
    assert squares["place"] == 88.361934
    assert squares["place × operator"] == 0.358982
    apart = gauge_study(STUDY, pool_above_p=1.0).rows[-1]
    assert (round(apart.squares, 6), apart.freedom) == (2.758933, 60)
    assert rows["repeatability"].freedom == 78  # pooled: interaction and error together
    assert [rows[n].freedom for n in ("operator", "place", "place × operator")] == [2, 9, 18]
    assert round(rows["place × operator"].f or 0, 4) == 0.4337
    assert round(rows["place × operator"].p or 0, 3) == 0.974
    assert found.pooled
    assert round(found.repeatability, 5) == 0.19993
    assert round(found.operator, 5) == 0.22684
    assert round(found.gauge, 5) == 0.30237
    assert round(found.place, 5) == 1.04233
    assert round(found.total, 5) == 1.08530
    assert round(found.percent["gauge"], 2) == 27.86
    assert found.distinct == 4


@pytest.mark.parametrize("scale", [0.0, 0.6])
def test_table_equals_statsmodels(scale: float) -> None:
    import pandas as pd
    import statsmodels.api as sm
    from statsmodels.formula.api import ols

    rng = np.random.default_rng(4)
    y = STUDY + scale * rng.standard_normal((10, 3, 1))  # with and without an interaction
    n, k, r = np.indices(y.shape)
    frame = pd.DataFrame({"y": y.ravel(), "n": n.ravel(), "k": k.ravel(), "r": r.ravel()})
    table = sm.stats.anova_lm(ols("y ~ C(n) * C(k)", frame).fit(), typ=2)
    # by the random model the main effects are tested against the interaction
    rows = {row.source: row for row in gauge_study(y, pool_above_p=1.0).rows}
    for mine, theirs in (
        ("place", "C(n)"), ("operator", "C(k)"), ("place × operator", "C(n):C(k)"),
        ("repeatability", "Residual"),
    ):  # fmt: skip
        assert rows[mine].squares == pytest.approx(table.loc[theirs, "sum_sq"], rel=1e-9)
        assert rows[mine].freedom == table.loc[theirs, "df"]
    mixed = rows["place × operator"]
    assert mixed.f == pytest.approx(table.loc["C(n):C(k)", "F"], rel=1e-9)
    assert mixed.p == pytest.approx(table.loc["C(n):C(k)", "PR(>F)"], rel=1e-9)
    pooled = sm.stats.anova_lm(ols("y ~ C(n) + C(k)", frame).fit(), typ=2)
    rows = {row.source: row for row in gauge_study(y, pool_above_p=-1.0).rows}
    for mine, theirs in (("place", "C(n)"), ("operator", "C(k)")):
        assert rows[mine].f == pytest.approx(pooled.loc[theirs, "F"], rel=1e-9)
        assert rows[mine].p == pytest.approx(pooled.loc[theirs, "PR(>F)"], rel=1e-9, abs=1e-300)


def test_limits_of_agreement_by_bland_and_altman() -> None:
    """Formulas of Bland and Altman, Lancet 1986; i: 307-310; data invented, worked by hand."""
    x = "310.2 322.8 298.4 341.0 330.5 315.9 305.1 350.7 327.3 318.6"
    y = "311.0 321.9 299.9 342.6 329.8 317.5 304.6 352.9 328.1 318.0"
    found = agreement(*(np.array(t.split(), dtype=float) for t in (x, y)))
    assert found.bias == pytest.approx(-0.58, abs=1e-9)
    assert found.sd == pytest.approx(1.156431, abs=5e-7)
    assert (found.low, found.high) == pytest.approx((-2.846605, 1.686605), abs=1e-6)
    assert found.se_bias == pytest.approx(0.365696, abs=5e-7)
    assert found.se_limit == pytest.approx(0.647418, abs=1e-6)
