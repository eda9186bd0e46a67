"""The bench of the kiln controller KC-1 (own invention): its parts, points to probe, lead sets and data sheets."""

from __future__ import annotations

from benchlog.clock import Clock
from benchlog_drivers.simbench.draws import normal
from benchlog_drivers.simbench.leads import LeadSet
from benchlog_drivers.simbench.meter_spec import Battery
from benchlog_drivers.simbench.parts import (
    Amplifier,
    BenchSupply,
    Cell,
    Divider,
    Insulation,
    Lamp,
    Mains,
    RectifierPart,
    Resistor,
    SolidStateRelay,
    Toroid,
    Transformer,
    Winding,
)
from benchlog_drivers.simbench.scene import Scene

MB_02_BATTERY = Battery(
    # First flat, then falling ever faster: an old 9 V block under a small constant load.
    curve=((0.0, 7.0), (34.0, 6.6), (40.0, 6.5), (58.0, 6.25), (77.0, 5.95), (96.0, 5.2), (160.0, 4.6)),
    symbol_v=4.0,  # too low to warn in time
)

OWN_LEADS = {"MA-01": "LA", "MB-02": "LC"}
"""Lead set of each meter; LB and LD are spares."""

BENCH_TOML = """\
# The simulated bench: invented instruments.

[[instrument]]
tag = "MA-01"
kind = "meter"
address = "{MA-01}"
counts = 4000
response = "true rms"
input_resistance = "10 Mohm"
accuracy = [
    {{ function = "V~", statement = "1 % + 5", band = "45 Hz to 400 Hz" }},
    {{ function = "V=", statement = "0.5 % + 2" }},
    {{ function = "ohm", statement = "0.8 % + 2" }},
    {{ function = "A~", statement = "1.5 % + 5" }},
    {{ function = "A=", statement = "1 % + 3" }},
]

[[instrument]]
tag = "MB-02"
kind = "meter"
address = "typed:"
counts = 2000
response = "average"
input_resistance = "10 Mohm"
note = "no link: readings are typed"
accuracy = [
    {{ function = "V~", statement = "1.2 % + 5", band = "45 Hz to 400 Hz" }},
    {{ function = "V=", statement = "0.8 % + 2" }},
    {{ function = "ohm", statement = "1 % + 4" }},
    {{ function = "A~", statement = "2 % + 5" }},
    {{ function = "A=", statement = "1.5 % + 3" }},
]

[[instrument]]
tag = "SC-03"
kind = "scope"
address = "{SC-03}"
gain = "3 %"
range_gain = "0.5 %"
note = "8 bit, two channels, both grounds on one node and on protective earth"

[[instrument]]
tag = "SG-04"
kind = "generator"
address = "{SG-04}"
note = "50 ohm, 10 V peak to peak into 50 ohm"

# Meters on one point: `benchlog watch` compares them and shows which to doubt.
# [[group]]
# name = "T1 output"
# meters = ["MA-01", "MB-02"]
# function = "V~"

[[standard]]
tag = "CS-1"
value = "1.602 V dc"
uncertainty = "0.3 %"
function = "V="
note = "fresh AA cell, compared with its last reading"

[[standard]]
tag = "CS-2"
value = "10.000 kohm"
uncertainty = "0.1 %"
function = "ohm"

[[standard]]
tag = "CS-3"
value = "5.000 V dc"
uncertainty = "0.05 %"
function = "V="

[[standard]]
tag = "CS-4"
value = "10.00 ohm"
uncertainty = "0.1 %"
function = "ohm"
"""


def build_scene(seed: int, clock: Clock) -> Scene:
    """Put the parts of KC-1 on the bench, unconnected except for T1 in the outlet."""
    scene = Scene(seed, clock)

    def near(value: float, tolerance: float, *names: str) -> float:
        """A part within its tolerance: one draw, standard deviation a third of the tolerance."""
        return value * (1 + tolerance / 3 * normal(seed, "part", *names))

    scene.add(Mains(frequency_hz=near(50.0, 1e-3, "mains frequency")))
    scene.add(
        Transformer("T1", primary_ohm=near(63.4, 0.005, "T1.p"), secondary_ohm=near(1.0, 0.005, "T1.s"))
    )
    k1, k2 = (
        scene.add(Toroid("K1", near(59.3e-6, 0.03, "K1"))),
        scene.add(Toroid("K2", near(71.1e-6, 0.03, "K2"))),
    )
    wind(k1, "CT1", 60, 0.201)
    wind(k2, "CT2", 101, 0.504)
    for tag, ohm, tolerance in (
        ("RB", 10.0, 1e-3),
        ("CS-2", 10e3, 1e-3),
        ("CS-4", 10.0, 1e-3),
        ("R1K", 1e3, 1e-3),
        ("R47", 47.0, 1e-3),
        ("BOND", 0.04, 0.1),
        ("ELEMENT", 18.3, 0.01),
    ):
        scene.add(Resistor(tag, near(ohm, tolerance, tag)))
    for turns in (60, 100):
        tag = f"DIV-{turns}"
        scene.add(
            Divider(tag, near(100.0 * (turns - 1), 1e-3, tag, "upper"), near(100.0, 1e-3, tag, "lower"))
        )
    scene.add(Cell("CS-1", near(1.602, 1e-3, "CS-1"), 0.15, volt_per_day=-0.1e-3))
    scene.add(Cell("CS-3", near(5.0, 5e-4, "CS-3"), 0.1))
    scene.add(BenchSupply("PS"))
    scene.add(Amplifier("AMP", near(39.0, 2e-3, "AMP")))
    scene.add(SolidStateRelay("SR1"))
    scene.add(Insulation("KC1"))
    scene.add(Lamp("LAMP", 100.0))
    scene.add(Lamp("SERIES-LAMP", 60.0))
    scene.add(RectifierPart("REC", ac=("REC.ac1", "REC.ac2"), dc=("REC.plus", "REC.minus")))
    for tag in ("LA", "LB", "LC", "LD"):
        scene.leads[tag] = LeadSet.drawn(tag, seed)
    scene.points |= {
        "outlet": ("OUTLET.L", "OUTLET.N"),
        "T1.output": ("T1.s1", "T1.s2"),
        "T1.plug": ("T1.p1", "T1.p2"),
        "T1.isolation": ("T1.s1", "PS.minus"),
        "REC.output": ("REC.plus", "REC.minus"),
        "AMP.output": ("AMP.out", "AMP.common"),
        "CT1": ("CT1.a", "CT1.b"),
        "CT2": ("CT2.a", "CT2.b"),
    }
    scene.points |= {tag: (f"{tag}.plus", f"{tag}.minus") for tag in ("CS-1", "CS-3", "PS")}
    two_ended = ("RB", "CS-2", "CS-4", "R1K", "R47", "BOND", "ELEMENT", "LAMP", "SERIES-LAMP", "SR1")
    scene.points |= {tag: (f"{tag}.a", f"{tag}.b") for tag in two_ended}
    return scene


def wind(core: Toroid, name: str, turns: int, ohm: float) -> None:
    """Wind a winding ``name.a``, ``name.b``; its leakage is 2e-4 of its inductance (an even winding)."""
    leakage = 2e-4 * core.al_h * turns**2
    core.put(Winding(name, turns, ohm, f"{name}.a", f"{name}.b", leakage))
