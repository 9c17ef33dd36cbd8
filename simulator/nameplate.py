"""The invented units of an invented contractor: nameplates, fittings, sites, and what a nameplate does not say."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from simulator.assist import PRESSURE_SHARE
from simulator.compressor import KIT_UF_PER_RUN_UF
from simulator.weather import AREAS

Array = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

UNITS_A_SITE = 4
ZONE = "America/Denver"
_AREA_PLACE = ((46.9, -109.9), (46.3, -110.6), (45.9, -109.2))
_TONS = np.array([1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0])


@dataclass(frozen=True)
class Units:
    """One row a unit, from number ``first`` (from 0) on: the nameplate, and the physics behind it.

    ``size`` is the machine's size over the 3-ton reference; ``friction_nm`` and the supply are referred to it.
    ``torque_share`` is how much of the pressure difference the motor feels; ``kit`` the start capacitor over a full
    one; ``ptc_ohm`` a thermistor's cold resistance, referred to the reference machine, 0 where there is none;
    ``level`` the unit's own factor on inertia; ``control_cuts`` whether the control cuts a stalled compressor, which
    otherwise its thermal overload does.
    """

    first: int
    unit: Words
    site: Words
    site_index: npt.NDArray[np.intp]
    area: npt.NDArray[np.intp]
    device: Words
    lat: Array
    lon: Array
    tons: Array
    refrigerant: Words
    rla_a: Array
    lra_a: Array
    run_cap_uf: Array
    start_gear: Words
    start_cap_uf: Array
    metering: Words
    compressor: Words
    stages: Array
    model: Words
    installed: Words
    size: Array
    friction_nm: Array
    torque_share: Array
    tau_s: Array
    kit: Array
    ptc_ohm: Array
    heater: Array
    level: Array
    source_ohm: Array
    house_v: Array
    zero_crossing: npt.NDArray[np.bool_]
    control_cuts: npt.NDArray[np.bool_]
    fitted: dict[str, npt.NDArray[np.bool_]] = field(repr=False)


def draw(first: int, count: int, rng: np.random.Generator) -> Units:
    """Draw ``count`` (1 or more) units from number ``first`` (from 0) on; shares of fittings are assumptions."""
    number = np.arange(first, first + count)
    site_index = number // UNITS_A_SITE
    area = site_index % len(AREAS)
    tons = rng.choice(_TONS, count, p=[0.06, 0.16, 0.18, 0.26, 0.14, 0.12, 0.08])
    model_number = 1 + np.searchsorted([2.0, 2.5, 3.0, 3.5, 4.0], tons)
    metering = rng.choice(np.array(["txv", "eev", "orifice"], object), count, p=[0.5, 0.25, 0.25])
    compressor = rng.choice(np.array(["scroll", "rotary", "reciprocating"], object), count, p=[0.45, 0.25, 0.3])
    gear = rng.choice(np.array(["none", "ptc", "relay_kit"], object), count, p=[0.64, 0.14, 0.22])
    # Start gear is found where valves shut hard.
    hard = (metering == "txv") & (rng.random(count) < np.where(gear == "none", 0.25, 0.65))
    tau = np.select(
        [hard & (gear == "relay_kit"), hard & (gear == "ptc"), hard, metering == "txv", metering == "eev"],
        [165.0, 130.0, 95.0, 65.0, 45.0],
        40.0,
    )
    run_cap = 5 * np.round((12.5 + 9.2 * tons) / 5)
    size = tons / 3.0
    lra = np.round(83.0 * size * np.exp(rng.normal(0, 0.02, count)), 0)
    place = np.array(_AREA_PLACE)[area]
    local_site = site_index - site_index[0]
    spread = rng.normal(0, 0.06, (local_site[-1] + 1, 2))[local_site]
    return Units(
        first=first,
        unit=_names("u", number),
        site=_names("s", site_index),
        site_index=local_site,
        area=area,
        device=_names("d", number),
        lat=np.round(place[:, 0] + spread[:, 0], 4),
        lon=np.round(place[:, 1] + spread[:, 1], 4),
        tons=tons,
        refrigerant=rng.choice(np.array(["R-410A", "R-32", "R-454B"], object), count, p=[0.66, 0.12, 0.22]),
        rla_a=np.round(lra / rng.uniform(4.6, 5.6, count), 1),
        lra_a=lra,
        run_cap_uf=run_cap,
        start_gear=gear,
        start_cap_uf=np.where(gear == "relay_kit", np.round(KIT_UF_PER_RUN_UF * run_cap), np.nan),
        metering=metering,
        compressor=compressor,
        stages=np.where(rng.random(count) < 0.25, 2.0, 1.0),
        model=np.array([f"model {m}" for m in model_number], object),
        installed=np.array(
            [
                f"{y}-{m:02d}-{d:02d}"
                for y, m, d in zip(
                    rng.integers(2012, 2024, count), rng.integers(1, 13, count), rng.integers(1, 29, count), strict=True
                )
            ],
            object,
        ),
        size=size,
        friction_nm=0.6 * np.exp(rng.normal(0, 0.06, count)),
        torque_share=np.array([PRESSURE_SHARE[kind] for kind in compressor.tolist()]),
        tau_s=tau * np.exp(rng.normal(0, 0.12, count)),
        kit=np.where(gear == "relay_kit", rng.uniform(0.9, 1.0, count), 0.0),
        ptc_ohm=np.where(gear == "ptc", rng.uniform(28.0, 45.0, count), 0.0),
        heater=np.ones(count),
        level=np.exp(rng.normal(0, 0.10, count)),
        source_ohm=np.exp(rng.normal(np.log(0.075), 0.4, count)),
        house_v=rng.normal(240.0, 2.4, count),
        zero_crossing=rng.random(count) < 0.35,
        control_cuts=rng.random(count) < 0.7,
        fitted=_channels(count, rng),
    )


def columns(units: Units) -> dict[str, object]:
    """Return the columns of the units table."""
    same = (
        "unit",
        "site",
        "lat",
        "lon",
        "tons",
        "refrigerant",
        "rla_a",
        "lra_a",
        "run_cap_uf",
        "start_gear",
        "start_cap_uf",
        "metering",
        "compressor",
        "stages",
        "model",
        "installed",
        "device",
    )
    count = len(units.unit)
    return {
        **{name: getattr(units, name) for name in same},
        "zone": np.full(count, ZONE, object),
        "area": np.array(AREAS, object)[units.area],
        "volts": np.full(count, 230.0),
    }


def _names(letter: str, number: npt.NDArray[np.intp]) -> Words:
    return np.array([f"{letter}-{n + 1:04d}" for n in number], object)


def _channels(count: int, rng: np.random.Generator) -> dict[str, npt.NDArray[np.bool_]]:
    """Return which channels each unit's logger has: all see the current, most the voltage, some the pressures."""
    volts = rng.random(count) < 0.8
    return {
        "line_v": volts,
        "line_min_v": volts,
        "close_deg": volts & (rng.random(count) < 0.85),
        "run_w": volts & (rng.random(count) < 0.9),
        "outdoor_c": rng.random(count) < 0.95,
        "pressures": rng.random(count) < 0.35,
    }
