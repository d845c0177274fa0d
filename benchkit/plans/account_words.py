"""An account in lines and sentences: the same for the report of a run and for the command that reads a journal."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.plans.account import Account, Asked, Share


@dataclass(frozen=True, slots=True)
class AccountLine:
    """One rating or segment: what it has had, and what the plan asks for; None where that was not written down."""

    of: str
    name: str
    share: Share
    asked: Asked | None


def account_lines(account: Account) -> list[AccountLine]:
    """Ratings, then segments, in the order of the plan; those that have had nothing yet as well."""
    tables = (
        ("rating", account.ratings, account.asked_ratings),
        ("segment", account.segments, account.asked_segments),
    )
    return [
        AccountLine(of, name, had.get(name, Share()), asked.get(name) if asked else None)
        for of, had, asked in tables
        for name in {**asked, **had}
    ]


def account_sentences(account: Account) -> list[str]:
    """Points, steps by hand, starts, stops and times, a sentence each."""
    asked = account.asked
    of = f" of {asked.points}" if account.asked_segments else ""
    void = account.taken - account.standing
    again = f", {void} of them void after a stop" if void else ""
    found = [f"Points: {account.standing}{of} done, {account.skipped} left out ({account.taken} taken in all{again})."]
    if account.steps_by_hand or account.confirmed:
        found.append(f"Steps by hand: {account.confirmed} of {account.steps_by_hand} confirmed.")
    causes = ", ".join(f"{cause} {count}" for cause, count in account.stops.items())
    found.append(f"Starts: {account.starts}. Stops: {f'{account.stops_in_all} ({causes})' if causes else 'none'}.")
    times = ((account.way_s, "under way"), (account.read_s, "read"), (account.good_s, "of it in tolerance"))
    found.append(f"{', '.join(f'{seconds / 3600.0:.4f} h {what}' for seconds, what in times)}.")
    found.append(f"Recordings: {account.recordings}.")
    return found
