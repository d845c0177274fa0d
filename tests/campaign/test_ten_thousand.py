"""Ten thousand run files: the catalogue made anew from them is the cached one."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.campaign.catalogue import Catalogue
from benchkit.campaign.database import FILE_NAME
from tests.bench.catalogue import COUNT, READ, link_more, make_headers

pytestmark = [pytest.mark.soak, pytest.mark.timeout(3000)]


def test_rebuilt_from_ten_thousand_files_it_is_the_cached_one(tmp_path: Path) -> None:
    make_headers(tmp_path, READ)
    link_more(tmp_path, READ, COUNT)
    with Catalogue(tmp_path) as catalogue:
        assert len(catalogue.refresh().new) == COUNT
    with Catalogue(tmp_path) as catalogue:
        cached = catalogue.entries()
    (tmp_path / FILE_NAME).unlink()
    with Catalogue(tmp_path) as catalogue:
        catalogue.refresh()
        assert catalogue.entries() == cached
    assert len({entry.content_sha256 for entry in cached}) == READ
