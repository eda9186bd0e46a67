"""Test leads from tips to jacks, with their possible faults."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog_drivers.simbench.circuit import EARTH, Circuit
from benchlog_drivers.simbench.draws import generator, uniform


@dataclass
class LeadSet:
    """A pair of test leads."""

    tag: str
    ohm: float = 0.1  #: Of each lead, healthy.
    open: bool = False  #: Fault: the high lead is broken inside.
    intermittent: bool = False  #: Fault: broken about half the time, for seconds at a stretch.
    #: Stray capacitance from the house wiring to the high side; matters only if that side floats.
    pickup_f: float = 0.2e-12
    loop_v: float = 0.5e-3  #: EMF that stray mains field induces in the loop of the leads, volt rms.

    @classmethod
    def drawn(cls, tag: str, seed: int) -> LeadSet:
        """A healthy set whose strays are drawn for this seed.

        The pick-up of a 10 Mohm input by an open lead is spread log-normally about 0.1 V on 230 V mains
        (judgement, no source); the induced EMF of a hand's breadth of loop near mains is below 2 mV.
        """
        g = generator(seed, "leads", tag)
        return cls(
            tag,
            ohm=0.1 * math.exp(0.1 * float(g.standard_normal())),
            pickup_f=0.14e-12 * math.exp(0.7 * float(g.standard_normal())),
            loop_v=abs(0.8e-3 * float(g.standard_normal())),
        )

    def is_open(self, seed: int, t_s: float) -> bool:
        """Whether the high lead conducts nothing at that time."""
        if self.intermittent:
            return uniform(0, 1, seed, "lead", self.tag, int(t_s / 4.0)) < 0.5
        return self.open


@dataclass(frozen=True)
class Hookup:
    """Where a pair of leads sits."""

    at: tuple[str, str]  #: Nodes under the high and the low tip; equal nodes mean tips held together.
    leads: str  #: Lead set.

    def stamp(
        self,
        circuit: Circuit,
        jacks: tuple[str, str],
        leads: LeadSet,
        *,
        is_open: bool,
        contact_ohm: float | None,
        mains_hz: float,
    ) -> None:
        """Leads from the points to the jacks, with stray coupling.

        Parameters
        ----------
        contact_ohm : float or None
            Between the high tip and its point; None is not a contact.
        """
        high, low = jacks
        circuit.capacitor("HOUSE.L", high, leads.pickup_f)
        circuit.capacitor(low, EARTH, 20e-12)  # the meter's case on the bench
        circuit.resistor(self.at[1], low, leads.ohm)
        if is_open or contact_ohm is None:
            return
        emf = {mains_hz: complex(leads.loop_v * 2**0.5)}
        circuit.voltage_source(f"{high}.loop", high, self.at[0], emf, leads.ohm + contact_ohm)
