"""Texts in a run file: attributes and names of channels, of fixed length, because SWMR knows no others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import h5py
import numpy as np


def create_labels(group: Any, name: str, entries: Sequence[str]) -> None:
    """A dataset of names, one entry a channel."""
    encoded = [entry.encode() for entry in entries]
    dtype = h5py.string_dtype("utf-8", max(1, *(len(entry) for entry in encoded)))
    dataset = group.create_dataset(name, data=np.array(encoded, dtype=dtype))
    set_text(dataset, "_Encoding", "utf-8")  # netCDF's word for it; xarray shows text instead of bytes


def set_text(item: Any, name: str, text: str) -> None:
    """Write a fixed-length UTF-8 attribute."""
    data = text.encode()
    item.attrs.create(name, np.bytes_(data), dtype=h5py.string_dtype("utf-8", max(1, len(data))))
