"""Cautions that stand wherever work is suggested.

References
----------
.. [1] OSHA 29 CFR 1910.147 (lock-out and tag-out) and 1910.333(b)(2) (stored electric energy; verifying dead).
.. [2] EPA 40 CFR 82 Subpart F (certification of technicians, no venting).
.. [3] ASHRAE Standard 34 (safety classes of refrigerants).
"""

from __future__ import annotations

FLAMMABLE: dict[str, str] = {
    "R-32": "A2L",
    "R-454B": "A2L",
    "R-454C": "A2L",
    "R-1234YF": "A2L",
    "R-290": "A3",
    "R-600A": "A3",
}
"""Refrigerants in use that burn, with their class in ASHRAE Standard 34 (from memory; the nameplate decides)."""

FIRST = (
    "The equipment maker's instructions and local codes come before anything written here; "
    "the work belongs to licensed, qualified people."
)
CUTS = (
    "Open the disconnect, lock it and tag it; a thermostat or a contactor is not isolation.",
    "Prove dead with a meter that is itself proved on a live source before and after.",
    "Capacitors keep a charge after power is off: discharge through a resistor and check; treat as live until then.",
    "Keep the compressor's terminal cover on while it is energised.",
    "Do not bypass an overload, a pressure switch or a start delay; find out why it opened.",
    "Leave a motor that has stalled off until the cause is found.",
    "Opening the refrigerant circuit needs refrigerant certification; do not vent.",
)


def _key(refrigerant: str) -> str:
    bare = refrigerant.upper().replace(" ", "").replace("-", "").replace("R", "", 1)
    return f"R-{bare}"


def cautions(refrigerant: str | None) -> list[str]:
    """Return the cautions for work at a unit; the refrigerant's own one is first among them where it burns."""
    told = [FIRST, *CUTS]
    if refrigerant is None:
        told.append("Refrigerant not known here: read the nameplate; it may be flammable.")
    elif (burns := FLAMMABLE.get(_key(refrigerant))) is not None:
        words = "mildly flammable" if burns == "A2L" else "highly flammable"
        told.insert(
            1,
            f"{refrigerant} is {words} ({burns}): no ignition sources, ventilate, check for leaks first, rated tools.",
        )
    return told
