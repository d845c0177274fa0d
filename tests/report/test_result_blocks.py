"""What stands beside the tables of results: heat balance, fit against n², what would halve an uncertainty."""

from __future__ import annotations

from dataclasses import replace

from benchkit.model.results import Contribution, Estimate, HeatBalance, SquareLaw
from benchkit.report.model import Listing, Number, RunReport, Table, Text, Tone
from benchkit.report.numbers import report_json, show
from benchkit.report.sections import build_report
from benchkit.report.sections_results import power_section, thrust_section


def table(section, name: str) -> Table:
    return next(block for block in section.blocks if isinstance(block, Table) and block.id == name)


def with_results(run: RunReport, **changes) -> RunReport:
    return replace(run, result=replace(run.result, **changes))


def test_heat_balance(full_run: RunReport) -> None:
    point = full_run.result.points[0]
    row = HeatBalance(
        point, Estimate(1904.0, 20.0, "W"), Estimate(1700.0, 60.0, "W"), Estimate(204.0, 63.0, "W"),
        Estimate(0.107, 0.033, "1"),
    )  # fmt: skip
    run = with_results(full_run, heat_balances=(row,))
    cells = table(power_section([run]), "heat-balance").rows[0]
    assert [show(c).figures for c in cells if isinstance(c, Number)][2] == "200\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}120"
    assert any("P_DC − P_shaft" in block for block in str(report_json(build_report([run]))).split("|"))
    assert not any(getattr(b, "id", "") == "heat-balance" for b in power_section([full_run]).blocks)


def test_fit_against_n_squared(full_run: RunReport) -> None:
    law = SquareLaw("thrust", Estimate(0.424, 4e-4, "N·s²", 8.0), 9, "F", 5.3, 0.004, True)
    run = with_results(full_run, square_laws=(law,))
    cells = table(thrust_section([run]), "square-laws").rows[0]
    assert cells[3] == Text("F")
    assert cells[-1] == Text("not a straight line", Tone.NOTE)


def test_what_would_halve_the_uncertainty_is_said_for_each_headline(full_run: RunReport) -> None:
    budget = (Contribution("thrust calibration", 3e-4), Contribution("diameter", 1e-4))
    thrust = tuple(
        replace(row, ct=replace(row.ct, u=(9e-8 + 1e-8) ** 0.5, budget=budget)) for row in full_run.result.thrust
    )
    section = thrust_section([with_results(full_run, thrust=thrust)])
    lines = dict(next(block for block in section.blocks if isinstance(block, Listing)).lines)
    (head,) = (head for head in lines if "CT" in head)
    assert head.startswith("To halve the uncertainty of CT, P")
    assert "thrust calibration" in lines[head]
    assert "→" in lines[head]
    assert "(k = 1)" in lines[head]


def test_an_interval_by_monte_carlo_is_shown_instead_of_plus_minus(full_run: RunReport) -> None:
    balance = replace(
        full_run.result.balances[0], drive_efficiency=Estimate(0.628, 0.16, "1", interval95=(0.415, 1.31))
    )
    run = with_results(full_run, balances=(balance, *full_run.result.balances[1:]))
    cell = table(power_section([run]), "losses").rows[0][-1]
    assert show(cell).figures.replace("\N{NO-BREAK SPACE}", " ") == "63 [42 … 131]"
    model = str(report_json(build_report([run])))
    assert "'low95': 0.415" in model
    assert "'high95': 1.31" in model
