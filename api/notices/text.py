"""What a notice says, in plain words: what became of which unit, how it starts, what to bring, and where to read on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from analytics.standing import SAY
from api import advice
from api.cautions import FIRST
from api.evidence import chance
from api.notices.gravity import level
from api.quantities import local
from api.rule import Gauge, in_words
from api.words import CAUSES, STANDINGS, likely

MOST = 8
"""Units that a notice describes; the rest it names or counts."""
MOST_OF_DIGEST = 25
MOST_NAMED = 12
MOST_PARTS = 30
"""Sites that a message which stands for many names."""
SAFETY = (
    f"Before any work: {FIRST[0].lower()}{FIRST[1:]} Open the disconnect, lock it and tag it, prove dead, and treat "
    "capacitors as charged."
)
KINDS: Mapping[str, str] = {
    "down": "down",
    "service": "for service",
    "start_assist": "for start assist",
    "silent": "silent",
    "watch": "to watch",
    "learning": "still learning",
    "steady": "steady",
}
"""What a number of units is called by their standing."""

Unit = Mapping[str, Any]
"""A unit as the statement `notices.units` gives it, with its `locked_at`."""


@dataclass(frozen=True)
class Text:
    """A message: one line for its head, and lines for the rest."""

    title: str
    body: str


def counted(standings: Iterable[str]) -> str:
    """Return how many units there are of each standing, the gravest first: `2 down, 1 for service`."""
    counts = Counter(standings)
    return ", ".join(f"{counts[s]} {KINDS[s]}" for s in STANDINGS if counts[s])


def of_changes(
    site: str | None, cause: str, triggers: Sequence[Mapping[str, Any]], units: Sequence[Unit], link: str | None
) -> Text:
    """Return the message of units at one site whose standing became worse for one likely cause.

    Parameters
    ----------
    triggers : one object a unit with `unit`, `from`, `to`, `as_of`
    units : those that are described, the gravest first
    link : what the addresses of pages begin with; None for none
    """
    where = site or "units without a site"
    many = "unit" if len(triggers) == 1 else "units"
    title = f"{where}: {counted(t['to'] for t in triggers)}"
    by_unit = {t["unit"]: t for t in triggers}
    gravest = max((t["to"] for t in triggers), key=level)
    lines = [
        f"{len(triggers)} {many} at {where} became worse{_because(cause)}.",
        f"To the customer: “{SAY[gravest]}”",
        "",
    ]
    described = [u for u in units if u["unit"] in by_unit][:MOST]
    for unit in described:
        trigger = by_unit[unit["unit"]]
        lines += [_change(unit, trigger), *_about(unit, link), ""]
    others = sorted(set(by_unit) - {u["unit"] for u in described})
    if others:
        named = ", ".join(others[:MOST_NAMED])
        beyond = f" and {len(others) - MOST_NAMED} more" if len(others) > MOST_NAMED else ""
        lines += [f"Also: {named}{beyond}.", ""]
    return Text(title, _ended(lines, link, work=any(t["to"] != "silent" for t in triggers)))


def of_several(
    parts: Sequence[tuple[str | None, str, Sequence[Mapping[str, Any]]]], units: Sequence[Unit], link: str | None
) -> Text:
    """Return the one message that stands for many: a line for each site and likely cause, and the worst units.

    Parameters
    ----------
    parts : site, likely cause and triggers of each message that it stands for
    units : those that are described, the worst first
    """
    every = [t["to"] for _, _, triggers in parts for t in triggers]
    sites = len({site for site, _, _ in parts})
    lines = [f"{len(every)} units at {sites} sites became worse. In one message, since they are so many.", ""]
    ordered = sorted(parts, key=lambda part: (-max(level(t["to"]) for t in part[2]), -len(part[2]), part[0] or ""))
    for site, cause, triggers in ordered[:MOST_PARTS]:
        lines.append(f"{site or 'units without a site'}: {counted(t['to'] for t in triggers)}{_because(cause)}")
    if len(parts) > MOST_PARTS:
        lines.append(f"And {len(parts) - MOST_PARTS} more.")
    lines += ["", "The worst:", ""]
    for unit in units[:MOST]:
        lines += [f"{_place(unit)}: {STANDINGS[unit['standing']].lower()}{_likely(unit)}", *_about(unit, link), ""]
    return Text(f"{counted(every)} at {sites} sites", _ended(lines, link, work=any(to != "silent" for to in every)))


def of_digest(standings: Mapping[str, int], units: Sequence[Unit], link: str | None) -> Text:
    """Return the daily list of what nobody has acknowledged, the worst first.

    Parameters
    ----------
    standings : how many units are not acknowledged, by standing
    units : the worst of them in order
    """
    total = sum(standings.values())
    counts = ", ".join(f"{standings[s]} {KINDS[s]}" for s in STANDINGS if standings.get(s))
    lines = [f"{total} {'unit' if total == 1 else 'units'} that nobody has marked as seen, the worst first.", ""]
    for place, unit in enumerate(units[:MOST_OF_DIGEST], 1):
        lines += [
            f"{place}. {_place(unit)}: {STANDINGS[unit['standing']].lower()}{_likely(unit)}",
            *_about(unit, link),
            "",
        ]
    if total > min(len(units), MOST_OF_DIGEST):
        lines += [f"And {total - min(len(units), MOST_OF_DIGEST)} more on the call list.", ""]
    lines += ["This list comes each day for as long as something on it is not marked as seen.", ""]
    return Text(f"Not yet seen: {counts}", _ended(lines, link, work=True))


def of_trial(person: str, link: str | None) -> Text:
    """Return the message by which somebody tries a target."""
    lines = [f"This is a trial for {person}. Notices will come here.", ""]
    return Text("Halfsecond: a trial", _ended(lines, link, work=False))


def _because(cause: str) -> str:
    if cause == "silent":
        return ": nothing is heard any more"
    return "" if cause == "none" else f"; likely cause: {CAUSES.get(cause, cause)}"


def _likely(unit: Unit) -> str:
    if unit["cause"] in (None, "none") or unit["standing"] == "silent" or unit["probability"] is None:
        return ""
    words = CAUSES.get(unit["cause"], unit["cause"])
    return f"; {words}, {likely(unit['probability'])} ({chance(unit['probability'])})"


def _place(unit: Unit) -> str:
    return f"{unit['unit']} at {unit['site']}" if unit["site"] else str(unit["unit"])


def _change(unit: Unit, trigger: Mapping[str, Any]) -> str:
    at = local(trigger["as_of"], unit["zone"], "%-d %b %H:%M")
    line = f"{unit['unit']}: {STANDINGS[trigger['to']].lower()} since {at}, before {STANDINGS[trigger['from']].lower()}"
    if unit["standing"] != trigger["to"]:
        line += f"; now {STANDINGS[unit['standing']].lower()}"
    return line + _likely(unit)


def _about(unit: Unit, link: str | None) -> list[str]:
    """Return how a unit starts, what to bring or look at, and where its page is."""
    lines = [f"  {in_words(Gauge.of(unit['body'], unit['locked_at']))}"]
    things = advice.bring(unit["standing"], unit["cause"] if unit["cause"] != "none" else None, unit)
    if things:
        lines.append(f"  Bring: {'; '.join(things)}")
    elif unit["standing"] == "silent":
        lines += [f"  Look at: {step['measure']}" for step in advice.measure("silent", None, unit)]
    if link:
        lines.append(f"  {link}/units/{quote(unit['unit'])}")
    return lines


def _ended(lines: list[str], link: str | None, *, work: bool) -> str:
    end = [SAFETY] if work else []
    return "\n".join([*lines, *end, *([f"Call list: {link}/"] if link else [])]).strip() + "\n"
