"""The pages that are written from the program. A test compares each with what lies in docs/."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import page_commands
import page_profile
import page_safety

PAGES: Mapping[str, Callable[[], str]] = {
    "reference/commands.md": page_commands.page,
    "reference/profile.md": page_profile.page,
    "safety.md": page_safety.page,
}
