"""Shapes of the JSON answers, as the OpenAPI document describes them."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from analytics.verdict import CauseName, StandingName
from api.judged import Repair, Verdict
from api.shape import Shape
from ingest.records import Work

NO_NUL = r"^[^\x00]*$"
WALL_TIME = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"
MAIL = r"^[^@\s\x00]+@[^@\s\x00]+$"
Text = Annotated[str, Field(min_length=1, max_length=200, pattern=NO_NUL)]
Reading = Annotated[float, Field(allow_inf_nan=False)] | Text | bool | None


class Plan(Shape):
    """A visit that is planned: by whom and on which day of the site's calendar."""

    person: str | None
    day: date
    note: str | None
    made_at: datetime


class Attention(Shape):
    """What was done about a unit's call; both times are null once they have lapsed."""

    acknowledged_at: datetime | None = Field(description="when somebody said that it was seen")
    snoozed_until: datetime | None = Field(description="until when the unit is left out of the list")
    plan: Plan | None


class NewPlan(BaseModel):
    """A visit to plan."""

    model_config = ConfigDict(extra="forbid")

    person: Text | None = Field(default=None, description="one of the account's people, or nobody yet")
    day: date = Field(description="on the site's calendar")
    note: Annotated[str, Field(max_length=500, pattern=NO_NUL)] | None = None


class NewAttention(BaseModel):
    """What to change about a unit's call: a member that is left out stays, null takes back."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {"acknowledged": True},
                {"snoozed_until": "2026-01-27T08:00:00-07:00"},
                {"plan": {"person": "Kim Example", "day": "2026-01-26"}},
            ]
        },
    )

    acknowledged: bool | None = Field(default=None, description="true: somebody has seen it")
    snoozed_until: AwareDatetime | None = Field(default=None, description="RFC 3339 with offset; at most 60 days ahead")
    plan: NewPlan | None = None


class Call(Verdict, Attention):
    """A row of the call list: the unit's newest verdict, where it stands, and what to do next."""

    site: str | None
    area: str | None
    zone: str
    model: str | None
    rank: float
    cause: CauseName | None
    cause_probability: float | None
    locked_at: list[datetime] = Field(description="locked starts of the last 14 days")
    forecast_low_c: float | None = Field(description="lowest temperature forecast for the next 7 days")
    why: str = Field(description="the grounds in one sentence")
    bring: list[str]
    rule: str = Field(description="the half-second rule in words")
    last_at: datetime | None


class Calls(Shape):
    """One page of the call list."""

    items: list[Call]
    next: str | None
    standings: dict[str, int] = Field(description="units of the account by standing, before any filter")
    causes: dict[str, int] = Field(description="units that ask for attention, by most likely cause, before any filter")
    areas: dict[str, int] = Field(description="the same, by the area of their site")
    models: dict[str, int] = Field(description="the same, by model")
    people: dict[str, int] = Field(description="the same, by who is to visit them")
    may_be_sound: float = Field(
        description="of the units for start assist and service, how many at most are expected to have nothing wrong, "
        "by the account's budget of false alarms"
    )
    snoozed: int = Field(description="units that are put off")
    days_waiting: int = Field(
        description="days of units with rows that no verdict has taken in yet; 0: this list is of all that has come"
    )
    units_waiting: int = Field(description="units that these days are of")
    as_of: datetime | None = Field(description="of which instant the oldest verdict of this page is")
    verdicts_late: bool = Field(description="days wait, and the oldest verdict of this page is hours behind `now`")
    now: datetime = Field(description="by the account's clock")


class NewPerson(BaseModel):
    """Somebody who works with the call list."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"name": "Kim Example", "role": "technician"}]}
    )

    name: Text
    role: Literal["manager", "dispatcher", "technician"]
    mail: Annotated[str, Field(max_length=200, pattern=MAIL, examples=["kim@example.org"])] | None = None
    phone: Text | None = None


class Person(Shape):
    """Somebody who works with the call list."""

    name: str
    role: str
    mail: str | None
    phone: str | None
    added_at: datetime
    planned: int = Field(description="visits planned for this person")
    targets: int = Field(description="where notices for this person go")


class People(Shape):
    """Everybody of the account."""

    items: list[Person]
    next: str | None


class Unit(Shape):
    """A unit and its nameplate."""

    unit: str
    site: str | None
    area: str | None
    zone: str
    lat: float | None
    lon: float | None
    tons: float | None
    refrigerant: str | None
    rla_a: float | None
    lra_a: float | None
    volts: float | None
    run_cap_uf: float | None
    start_gear: str | None
    start_cap_uf: float | None
    metering: str | None
    compressor: str | None
    stages: int | None
    model: str | None
    installed: date | None
    device: str | None
    standing: StandingName | None
    as_of: datetime | None
    last_at: datetime | None


class Units(Shape):
    """One page of units."""

    items: list[Unit]
    next: str | None


class Step(Shape):
    """One thing to measure, and what is acceptable."""

    measure: str
    accept: str
    source: str


class Trend(Shape):
    """Slow change of run-up time at equal conditions, a fraction a month with its 90 % interval."""

    weeks: int
    change_per_month: float
    low: float
    high: float
    p: float = Field(description="Mann-Kendall's test of one value a week")
    say: str


class Began(Shape):
    """The 90 % interval of the day on which the present drift of the run-up time began."""

    low: date
    high: date


class Mute(Shape):
    """Nothing is told of a unit until its standing is worse than it was then."""

    standing: StandingName
    muted_at: datetime


class Band(Shape):
    """First tries in a band of outdoor temperature, in the account's degrees; share that locked, 90 % interval."""

    model_config = ConfigDict(populate_by_name=True, extra="forbid")

    from_: float = Field(alias="from")
    to: float
    starts: int
    locked: int
    share: float | None
    low: float | None
    high: float | None


class Fitted(Shape):
    """A part that a visit fitted: the newest of its kind, and what was entered then."""

    part: str
    at: datetime
    by: str | None
    entered: list[str]


class UnitAnswer(Unit, Attention):
    """A unit with its newest verdict and what to do about it."""

    muted: Mute | None

    verdict: Verdict | None
    locked_at: list[datetime]
    locked_by_temperature: list[Band]
    forecast_low_c: float | None
    evidence: list[str]
    measure: list[Step]
    bring: list[str]
    cautions: list[str]
    rule: str
    fitted: list[Fitted]
    trend: Trend | None
    onset: Began | None
    days_waiting: int = Field(description="days of the unit with rows that no verdict has taken in yet")
    verdict_late: bool = Field(description="days wait, and the verdict is hours behind `now`")
    now: datetime


class Start(Shape):
    """One energising of the compressor, in the units of the wire contract."""

    at: datetime
    seq: int
    outcome: Literal["ran", "locked", "dropped"] | None
    run_up_s: float | None
    peak_a: float | None
    run_a: float | None
    run_w: float | None
    run_pf: float | None
    line_v: float | None
    line_min_v: float | None
    close_deg: float | None
    off_s: float | None
    ran_s: float | None
    outdoor_c: float | None
    suction_kpa: float | None
    liquid_kpa: float | None
    mode: str | None
    stage: int | None
    retry: int | None


class Starts(Shape):
    """One page of starts, newest first."""

    items: list[Start]
    next: str | None


class Verdicts(Shape):
    """One page of verdicts, newest first."""

    items: list[Verdict]
    next: str | None


class NewVisit(BaseModel):
    """Work done at a unit."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "at": "2026-01-20T15:30:00-07:00",
                    "work": ["run_capacitor"],
                    "readings": {"run_cap_uf": 27.5},
                    "parts": ["run capacitor 40 µF 440 V"],
                    "note": "old one read 27.5 µF",
                }
            ]
        },
    )

    at: AwareDatetime = Field(description="RFC 3339 with offset")
    work: Annotated[list[Work], Field(min_length=1, max_length=10)]
    readings: Annotated[dict[Text, Reading], Field(max_length=100)] = {}
    parts: Annotated[list[Text], Field(max_length=50)] = []
    note: Annotated[str, Field(max_length=4_000, pattern=NO_NUL)] | None = None
    by: Text | None = Field(default=None, description="one of the account's people")
    key: Annotated[str, Field(min_length=8, max_length=100, pattern=r"^[A-Za-z0-9_-]+$")] | None = Field(
        default=None, description="made by the sender: what is sent again with the same key is stored once"
    )


class Visit(Shape):
    """Work done at a unit."""

    at: datetime
    work: list[str]
    readings: dict[str, Any]
    parts: list[str]
    note: str | None
    by: str | None
    added_at: datetime
    repair: Repair | None = Field(description="what it changed; null where that cannot be told")


class Photo(Shape):
    """A picture of a rating plate; it is at `/v1/units/{unit}/photos/{photo}`."""

    photo: int
    media_type: str
    bytes: int
    added_at: datetime


class Photos(Shape):
    """The newest pictures of a unit."""

    items: list[Photo]
    next: str | None


class Visits(Shape):
    """One page of visits, newest first."""

    items: list[Visit]
    next: str | None


class Cohort(Shape):
    """Units that share a model, metering device, start gear, age or area; 90 % interval of the share flagged."""

    by: Literal["all", "model", "metering", "start_gear", "age", "area"]
    value: str | None
    units: int
    judged: int
    flagged: int
    down: int
    share: float | None
    low: float | None
    high: float | None
    pooled_share: float | None = Field(
        description="share flagged, drawn towards the other cohorts of its kind the more the fewer units it has"
    )
    pooled_low: float | None
    pooled_high: float | None
    others_share: float | None = Field(description="share flagged of all units outside of the cohort")
    stands_out: Literal["more", "fewer"] | None = Field(
        description="flagged more or less often than the others: Fisher's exact test, at a false-discovery rate of 0.1"
    )


class Cohorts(Shape):
    """Every cohort."""

    items: list[Cohort]
    next: str | None


class Quarantined(Shape):
    """Open records of one reason."""

    reason: str
    records: int
    first_at: datetime
    last_at: datetime


class Silent(Shape):
    """A device that has not been heard."""

    device: str
    unit: str
    site: str | None
    zone: str
    last_at: datetime | None
    online: bool | None


class Received(Shape):
    """Records that intake took in during the last hour."""

    received: int
    stored: int
    doubles: int
    quarantined: int


class Gap(Shape):
    """A device of which records were never received."""

    device: str
    unit: str
    missing: int
    newest: int = Field(description="the highest number that came")
    sent: int | None = Field(description="the highest number that the last status said was sent")


class ClockOff(Shape):
    """A device whose clock is off."""

    device: str
    unit: str
    offset_s: float | None = Field(description="added to the times of its records, where that is certain")
    ahead_s: float | None = Field(description="by how much a record was dated after its receipt, at most")
    noted_at: datetime


class Intake(Shape):
    """How the intake does: rates, lag, quarantine, silent devices."""

    now: datetime
    last_hour: Received
    stored_a_minute: float = Field(description="over the last 10 minutes")
    received_at: datetime | None
    newest_at: datetime | None
    lag_s: float | None = Field(description="how late the newest record was stored")
    devices: int
    online: int
    offline: int
    clock_wrong: int
    missing_records: int = Field(description="made by devices, by their numbers, and never received")
    missing_devices: int
    gaps: list[Gap] = Field(description="devices of which records are missing, most first")
    clocks: list[ClockOff] = Field(description="devices whose clock is off, most first")
    quarantine: list[Quarantined]
    silent_after_h: float
    items: list[Silent]
    next: str | None


class Hour(Shape):
    """The air temperature forecast for one hour."""

    at: datetime
    outdoor_c: float


class SiteForecast(Shape):
    """The newest forecast of a site."""

    site: str
    zone: str
    issued: datetime | None
    items: list[Hour]
    next: str | None


class State(Shape):
    """Whether the program is up."""

    status: Literal["ok"]
