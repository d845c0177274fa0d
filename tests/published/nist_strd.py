"""Reads ``nist_strd_nonlinear.txt``; formulas of its datasets, as printed in each of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
PI = np.pi


@dataclass(frozen=True, slots=True, eq=False)
class Dataset:
    """Texts are as printed."""

    name: str
    starts: tuple[list[float], list[float]]
    certified: list[str]
    deviations: list[str]
    residual_sd: str
    y: FloatArray
    x: FloatArray


def datasets() -> Iterator[Dataset]:
    """All 27, in the order of the alphabet."""
    text = (Path(__file__).parent / "nist_strd_nonlinear.txt").read_text(encoding="utf-8")
    for part in text.split("\n[")[1:]:
        name, _, body = part.partition("]\n")
        lines = body.splitlines()
        parameters = [line.split()[1:] for line in lines if line.startswith("b")]
        (residual_sd,) = (line.split()[1] for line in lines if line.startswith("s "))
        rows = "; ".join(line for line in lines if line[0] not in "bs").split(";")
        table = np.array([row.split() for row in rows], dtype=np.float64)
        yield Dataset(
            name,
            ([float(row[0]) for row in parameters], [float(row[1]) for row in parameters]),
            [row[2] for row in parameters],
            [row[3] for row in parameters],
            residual_sd,
            np.log(table[:, 0]) if name == "Nelson" else table[:, 0],
            table[:, 1:].T if table.shape[1] > 2 else table[:, 1],
        )


def _gauss(b: FloatArray, x: FloatArray) -> FloatArray:
    first, second = np.exp(-((x - b[3]) ** 2) / b[4] ** 2), np.exp(-((x - b[6]) ** 2) / b[7] ** 2)
    return b[0] * np.exp(-b[1] * x) + b[2] * first + b[5] * second


def _cubics(b: FloatArray, x: FloatArray) -> FloatArray:
    return (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)


def _lanczos(b: FloatArray, x: FloatArray) -> FloatArray:
    return b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x)


def _enso(b: FloatArray, x: FloatArray) -> FloatArray:
    year, first, second = (2 * PI * x / period for period in (12.0, b[3], b[6]))
    cycles = b[1] * np.cos(year) + b[2] * np.sin(year) + b[4] * np.cos(first) + b[5] * np.sin(first)
    return b[0] + cycles + b[7] * np.cos(second) + b[8] * np.sin(second)


def _chwirut(b: FloatArray, x: FloatArray) -> FloatArray:
    return np.exp(-b[0] * x) / (b[1] + b[2] * x)


MODELS: dict[str, Callable[[FloatArray, FloatArray], FloatArray]] = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1 / b[2]),
    "BoxBOD": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut1": _chwirut,
    "Chwirut2": _chwirut,
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "ENSO": _enso,
    "Eckerle4": lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss1": _gauss,
    "Gauss2": _gauss,
    "Gauss3": _gauss,
    "Hahn1": _cubics,
    "Kirby2": lambda b, x: (b[0] + b[1] * x + b[2] * x**2) / (1 + b[3] * x + b[4] * x**2),
    "Lanczos1": _lanczos,
    "Lanczos2": _lanczos,
    "Lanczos3": _lanczos,
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * np.exp(b[1] / (x + b[2])),
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Misra1b": lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2),
    "Misra1c": lambda b, x: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5),
    "Misra1d": lambda b, x: b[0] * b[1] * x / (1 + b[1] * x),
    "Nelson": lambda b, x: b[0] - b[1] * x[0] * np.exp(-b[2] * x[1]),
    "Rat42": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / PI,
    "Thurber": _cubics,
}
