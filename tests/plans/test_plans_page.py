"""The example of docs/howto/plans.md is a plan that its stand can carry out, and the page names what there is."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from benchkit.cli.plan_options import KINDS
from benchkit.model.plans import Until
from benchkit.plans.check import plan_problems
from benchkit.profiles import load_stand, shared_path
from benchkit.profiles.plan_file import plan_from
from benchkit.session.plan_requests import PLAN_REQUESTS

PAGE = (Path(__file__).parents[2] / "docs" / "howto" / "plans.md").read_text(encoding="utf-8")


def test_the_example_is_sound() -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
    stand = load_stand(shared_path("stands", "airboat_map.toml")).stand
    plan = plan_from(tomllib.loads(text), "plans.md", stand)
    assert plan_problems(plan, stand) == []
    assert [str(p) for p in plan_problems(plan, stand, ())] == [
        "plan morning: an approval is missing (expected test lead). Whoever may gives it: plan_approve role=test_lead"
    ]


def test_the_page_names_every_request_kind_and_dwell() -> None:
    for name in (*PLAN_REQUESTS, *KINDS, *(f"`{until.value}`" for until in Until)):
        assert name in PAGE, name
