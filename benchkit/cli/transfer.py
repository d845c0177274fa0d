"""What ``transfer`` does."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchkit.analysis.exclude import kept
from benchkit.analysis.loss_terms import INVERTER, MOTOR, LossData, separate_losses
from benchkit.analysis.transfer import TransferPrediction, check_transfer, predict
from benchkit.analysis.transfer_data import joined, loss_data
from benchkit.cli.common import print_json
from benchkit.errors import UsageError
from benchkit.profiles.load_points import read_load_points
from benchkit.report.gather import gather
from benchkit.report.model import Block, Paragraph, ReportModel, RunReport, Table, Text
from benchkit.report.numbers import report_json, show
from benchkit.report.page import render, write_text
from benchkit.report.sections import build_report
from benchkit.report.sections_transfer import Transfer, transfer_section

TERMS = {"inverter": INVERTER, "motor": MOTOR}


def transfer(args: Namespace) -> int:
    """Separate, predict, test; print tables or JSON, and write the page where one is asked for."""
    runs = [Path(run) for run in args.runs]
    test = None if args.test is None else Path(args.test)
    if test is not None and test.resolve() in {run.resolve() for run in runs}:
        raise UsageError(
            "the run that tests the prediction is among those it was made from",
            where=test.name,
            remedy="Name another run under --test.",
        )
    out = None if args.out is None else Path(args.out)
    if out is not None and out.resolve() in {run.resolve() for run in (*runs, *([test] if test else []))}:
        raise UsageError("the page would replace a run", where=out.name, remedy="Name another file for the page.")
    reports = gather([*runs, *([test] if test else [])], _tell)
    data = joined([_data(report, args.subject, len(runs) > 1) for report in reports[: len(runs)]])
    names = TERMS[args.subject] if args.terms is None else [name.strip() for name in args.terms.split(",")]
    separated = separate_losses(data, names)
    predicted: tuple[TransferPrediction, ...] = ()
    if args.to is not None:
        loads = read_load_points(Path(args.to))
        variables = {name: np.array(values) for name, values in loads.variables.items()}
        predicted = predict(separated, variables, loads.labels)
    check = None
    if test is not None:
        check = check_transfer(separated, joined([_data(reports[-1], args.subject, False)]))
    found = Transfer(args.subject, [report.label for report in reports[: len(runs)]], separated, predicted, check)
    section = transfer_section(found)
    whole = build_report(reports)
    model = replace(whole, sections=(whole.sections[0], section, *whole.sections[1:]))
    if out is not None:
        write_text(out, render(model))
    if args.json:
        print_json(report_json(replace(model, sections=(section,))))
        return 0
    _print(model, section.blocks)
    if out is not None:
        print(out)
    return 0


def _data(report: RunReport, subject: str, several: bool) -> LossData:
    points = [balance.point for balance in kept(report.result.balances)]
    return loss_data(report.stand, points, subject, prefix=f"{report.label} " if several else "")


def _tell(text: str) -> None:
    if sys.stderr.isatty():
        print(text, file=sys.stderr)


def _print(model: ReportModel, blocks: Sequence[Block]) -> None:
    for run in model.runs:
        print(f"{run.label}: {run.file_name}{', SIMULATED data' if run.header.simulated else ''}")
    for block in blocks:
        if isinstance(block, Table):
            print(f"\n{block.title}")
            head = [f"{c.title}{f' [{c.unit}]' if c.unit else ''}" for c in block.columns]
            rows = [[cell.text if isinstance(cell, Text) else str(show(cell)) for cell in row] for row in block.rows]
            widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head))]
            for row in (head, *rows):
                print("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
        elif isinstance(block, Paragraph):
            print(f"\n{block.heading}: {block.text}")
