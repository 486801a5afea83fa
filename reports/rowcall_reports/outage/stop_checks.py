"""What is checked at every stop, step by step in the order that is safe and wastes no time.

Common practice, no source. Before isolation stands only what needs no opening and no live parts,
after it nothing that needs power or air; a test holds the lists to that.
"""

from __future__ import annotations

from enum import StrEnum


class Step(StrEnum):
    """The steps of a stop, in their order."""

    RUNNING = "1. Before lockout: fan running, air on"
    ISOLATION = "2. Lock out, bleed, verify zero"
    VALVES = "3. Headers and valves"
    PLENUM = "4. Clean-air plenum"
    DIRTY = "5. Hoppers and dirty side"
    CLOSING = "6. Before the doors are shut"


CHECKS: dict[Step, tuple[str, ...]] = {
    Step.RUNNING: (
        "Write down DP, gas flow, inlet temperature, opacity and the pressure of each header, to "
        "compare with after the stop.",
        "Pulse every row once from the controller, standing clear: silent, dull, or blowing on?",
        "With the sequence stopped and the air on: soap or ultrasonic check of headers, valves "
        "and bulkhead fittings from outside; mark each leak.",
        "With the sequence stopped, shut the supply of each header: how fast does its pressure "
        "fall?",
        "Where compartments can be taken off line one by one: opacity falls when the leaking one "
        "is off.",
        "If a dye test is to show the leaks: feed the powder evenly at the inlet before the fan "
        "stops.",
        "Process off: let the fan run on with dry air and clean the bags down, so that no moist "
        "gas cools inside.",
    ),
    Step.ISOLATION: (
        "Permits signed. Lock out and tag out gas, fan, dampers, hopper drives, cleaning control "
        "power and compressed air; everyone with their own lock.",
        "Try to start each drive: nothing may move.",
        "Bleed each header; its gauge stands at zero and its drain stays open.",
        "Cooled down: check surfaces and dust for heat and glowing lumps before a door is opened.",
        "Confined space: test the air before entry and while inside; one person stays outside.",
    ),
    Step.VALVES: (
        "Drain of each header: water, oil, rust?",
        "Coils, plugs, wires: dry, tight, no bare wire.",
        "Pilot lines and vents: free, not pinched, no dirt.",
        "Where a lid is off: both diaphragms of a double valve together, spring, bleed hole, seat "
        "free of grit; bolts tightened in a star pattern, in steps.",
        "Bulkhead fittings: tight, seals whole.",
    ),
    Step.PLENUM: (
        "Dust on the plenum floor, before anyone steps on it: where it lies points to the leak.",
        "Tube sheet: cracks, welds, rust, flat.",
        "Seats: every bag sits tight all round, no dust tracks.",
        "Blowpipes: fixed, level, each nozzle over the middle of its bag.",
        "Nozzles: round, not worn oval, none blocked.",
        "Cages: upright, no bent or broken wires, no rust.",
        "Bags: holes near the top, stiff, wet or shrunken cloth.",
        "Door seals: whole, not flattened, no dust tracks.",
        "Floor vacuumed clean, so that new dust shows a new leak.",
    ),
    Step.DIRTY: (
        "Hoppers: empty, no bridge; level probe, heater, discharge valve.",
        "Bag bottoms: worn, touching each other or the wall; first of all near the inlet.",
        "Inlet baffle: worn through, caked.",
        "DP taps and lines: free, dry.",
        "Isolation dampers: shut tight, seals whole.",
    ),
    Step.CLOSING: (
        "People, tools, lamps and old parts counted out.",
        "All blowpipes back in their places and fixed.",
        "Drains of the headers shut again; doors shut on whole seals.",
        "Go on with the return-to-service sheet.",
    ),
}
