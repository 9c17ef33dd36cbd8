"""Which calls are asked for: the filters of the call list, as they stand in its address."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import Depends, Query

from analytics.verdict import CauseName, StandingName
from api.answers import Find, Name, like

Sort = Literal["rank", "drift", "outlook"]
Snoozed = Literal["no", "only", "also"]


@dataclass(frozen=True)
class Choice:
    """The filters of a call list; None or the first word of a kind lets all pass."""

    standing: list[StandingName] | None = None
    cause: list[CauseName] | None = None
    site: list[str] | None = None
    area: list[str] | None = None
    person: list[str] | None = None
    model: list[str] | None = None
    q: str | None = None
    snoozed: Snoozed = "no"
    sort: Sort = "rank"

    @property
    def narrowed(self) -> bool:
        """Whether anything is left out that the bare list would show."""
        return replace(self, sort="rank") != Choice()

    def values(self) -> dict[str, Any]:
        """Return the filters as the statements of the call list take them."""
        return {
            "standings": self.standing or None,
            "causes": self.cause or None,
            "sites": self.site or None,
            "areas": self.area or None,
            "people": self.person or None,
            "models": self.model or None,
            "like": like(self.q),
            "snoozed": self.snoozed,
        }

    def turned(self, name: str, value: str) -> Choice:
        """Return the choice with one value of a filter added, or taken out where it was in."""
        held: list[str] = list(getattr(self, name) or [])
        changed: dict[str, Any] = {name: [v for v in held if v != value] if value in held else [*held, value]}
        return replace(self, **changed)

    def address(self, path: str, **more: object) -> str:
        """Return the address of a page that shows this choice; what is as usual is left out of it."""
        usual = {"snoozed": "no", "sort": "rank"}
        told = {k: v for k, v in {**asdict(self), **more}.items() if v not in (None, [], "") and usual.get(k) != v}
        return f"{path}?{urlencode(told, doseq=True)}" if told else path


def chosen(
    standing: Annotated[list[StandingName] | None, Query(description="only these standings", max_length=7)] = None,
    cause: Annotated[list[CauseName] | None, Query(description="only these most likely causes", max_length=6)] = None,
    site: Annotated[list[Name] | None, Query(description="only these sites", max_length=50)] = None,
    area: Annotated[list[Name] | None, Query(description="only sites in these areas", max_length=50)] = None,
    person: Annotated[
        list[Name] | None, Query(description="only units that these people are to visit", max_length=50)
    ] = None,
    model: Annotated[list[Name] | None, Query(description="only these models", max_length=50)] = None,
    q: Find = None,
    snoozed: Annotated[Snoozed, Query(description="units that were put off: left out, only they, or with the rest")] = (
        "no"
    ),
    sort: Annotated[
        Sort, Query(description="rank: what waiting would cost; drift; outlook: lockout within 7 days")
    ] = "rank",
) -> Choice:
    """Return the choice that a request's address makes."""
    return Choice(standing, cause, site, area, person, model, q, snoozed, sort)


Chosen = Annotated[Choice, Depends(chosen)]
"""The argument by which an endpoint of the call list gets its filters."""
