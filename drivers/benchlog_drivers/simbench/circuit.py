"""A small linear network solver: modified nodal analysis, one frequency at a time.

Voltages and currents are complex peak phasors, ``x(t) = Re(X exp(j 2 pi f t))``; at 0 Hz they are the plain DC
values. Sources carry a spectrum (frequency to phasor), so one netlist serves DC, mains with its harmonics and
the generator in turn.

Method: C.-W. Ho, A. E. Ruehli, P. A. Brennan, "The modified nodal approach to network analysis", 1975 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.errors import AnalysisError

EARTH = "earth"
Spectrum = Mapping[float, complex]
"""Peak phasor of each frequency, hertz to volt or ampere."""


@dataclass(frozen=True, slots=True)
class _Admittance:
    kind: str  # "R" or "C"
    a: str
    b: str
    value: float

    def at(self, omega: float) -> complex:
        return 1.0 / self.value if self.kind == "R" else 1j * omega * self.value


@dataclass(frozen=True, slots=True)
class _Branch:
    """An element with a current of its own: ``v(a) - v(b) - sum(z_k i_k) - gain v(c, d) = e``."""

    name: str
    a: str
    b: str
    emf: Spectrum
    resistance: float = 0.0
    inductance: tuple[tuple[str, float], ...] = ()
    control: tuple[str, str, float] | None = None


@dataclass(frozen=True, slots=True)
class _Injection:
    a: str
    b: str
    current: Spectrum


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Node voltages and branch currents at one frequency."""

    frequency_hz: float
    _voltages: Mapping[str, complex]
    _currents: Mapping[str, complex]

    def voltage(self, a: str, b: str = EARTH) -> complex:
        """Voltage of node `a` against node `b`, volt peak; a node no element touches floats at 0."""
        return self._voltages.get(a, 0j) - self._voltages.get(b, 0j)

    def current(self, branch: str) -> complex:
        """Current through a named source or winding from its first to its second node, ampere peak."""
        return self._currents[branch]


class Circuit:
    """A netlist; nodes are any names, `EARTH` is the reference."""

    def __init__(self) -> None:
        self._admittances: list[_Admittance] = []
        self._branches: dict[str, _Branch] = {}
        self._injections: list[_Injection] = []

    def resistor(self, a: str, b: str, ohm: float) -> None:
        """Add a resistance; it must be positive."""
        if not ohm > 0:
            raise AnalysisError(f"resistance between {a} and {b} must be positive, not {ohm!r} ohm")
        self._admittances.append(_Admittance("R", a, b, ohm))

    def capacitor(self, a: str, b: str, farad: float) -> None:
        """Add a capacitance; zero adds nothing."""
        if farad > 0:
            self._admittances.append(_Admittance("C", a, b, farad))

    def current_source(self, a: str, b: str, current: Spectrum) -> None:
        """Drive a current into node `a` and out of node `b`."""
        self._injections.append(_Injection(a, b, current))

    def voltage_source(self, name: str, a: str, b: str, emf: Spectrum, ohm: float = 0.0) -> None:
        """Add a voltage source of `emf` from `b` to `a`, with a series resistance."""
        self._add(_Branch(name, a, b, emf, resistance=ohm))

    def amplifier(self, name: str, out: tuple[str, str], control: tuple[str, str], gain: float) -> None:
        """Drive `out` with `gain` times the voltage of `control`, which draws no current."""
        self._add(_Branch(name, *out, {}, control=(*control, gain)))

    def windings(
        self,
        names: Sequence[str],
        nodes: Sequence[tuple[str, str]],
        henry: npt.NDArray[np.float64],
        ohm: Sequence[float],
    ) -> None:
        """Add coupled inductors; the dotted end of each is its first node.

        Parameters
        ----------
        names, nodes, ohm
            Of each winding: branch name, its two nodes, series resistance.
        henry : array of shape (n_windings, n_windings)
            Inductance matrix, self-inductances on the diagonal.
        """
        for k, name in enumerate(names):
            row = tuple((other, float(henry[k, j])) for j, other in enumerate(names))
            self._add(_Branch(name, *nodes[k], {}, resistance=ohm[k], inductance=row))

    def inductor(self, name: str, a: str, b: str, henry: float, ohm: float = 0.0) -> None:
        """Add one inductor with its series resistance."""
        self.windings([name], [(a, b)], np.array([[henry]]), [ohm])

    def frequencies(self) -> list[float]:
        """Every frequency at which some source is active, ascending."""
        found = {f for branch in self._branches.values() for f in branch.emf}
        return sorted(found | {f for source in self._injections for f in source.current})

    def solve(self, frequency_hz: float) -> Solution:
        """Solve at one frequency.

        Raises
        ------
        AnalysisError
            If sources contradict each other or a loop of ideal windings has no resistance.
        """
        omega = 2 * np.pi * frequency_hz
        parts = [(e.a, e.b, e.at(omega)) for e in self._admittances]
        links = [(a, b) for a, b, y in parts if y != 0] + [(e.a, e.b) for e in self._branches.values()]
        names, ties = _nodes_and_ties(links)
        index = {name: k for k, name in enumerate(names)}
        n, m = len(names), len(self._branches)
        matrix = np.zeros((n + m, n + m), dtype=complex)
        right = np.zeros(n + m, dtype=complex)
        _stamp_admittances([*parts, *((tie, EARTH, 1.0 + 0j) for tie in ties)], index, matrix)
        for source in self._injections:
            for node, sign in ((source.a, 1), (source.b, -1)):
                if node in index:
                    right[index[node]] += sign * source.current.get(frequency_hz, 0j)
        order = {name: n + k for k, name in enumerate(self._branches)}
        for name, branch in self._branches.items():
            self._stamp_branch(branch, order, index, omega, matrix)
            right[order[name]] = branch.emf.get(frequency_hz, 0j)
        try:
            x = np.linalg.solve(matrix, right)
        except np.linalg.LinAlgError as error:
            raise AnalysisError(
                f"the network has no single solution at {frequency_hz:g} Hz",
                hint="two ideal sources or windings may be in parallel: give one a resistance",
            ) from error
        voltages = {name: complex(x[k]) for name, k in index.items()}
        return Solution(frequency_hz, voltages, {name: complex(x[k]) for name, k in order.items()})

    def _add(self, branch: _Branch) -> None:
        if branch.name in self._branches:
            raise AnalysisError(f"two elements are named {branch.name!r}")
        self._branches[branch.name] = branch

    @staticmethod
    def _stamp_branch(
        branch: _Branch,
        order: Mapping[str, int],
        index: Mapping[str, int],
        omega: float,
        matrix: npt.NDArray[np.complex128],
    ) -> None:
        row = order[branch.name]
        for node, sign in ((branch.a, 1.0), (branch.b, -1.0)):
            if node in index:
                matrix[index[node], row] += sign  # Kirchhoff: the branch current leaves its first node
                matrix[row, index[node]] += sign
        matrix[row, row] -= branch.resistance
        for other, henry in branch.inductance:
            matrix[row, order[other]] -= 1j * omega * henry
        if branch.control is not None:
            plus, minus, gain = branch.control
            for node, sign in ((plus, -gain), (minus, gain)):
                if node in index:
                    matrix[row, index[node]] += sign


def _stamp_admittances(
    parts: Iterable[tuple[str, str, complex]],
    index: Mapping[str, int],
    matrix: npt.NDArray[np.complex128],
) -> None:
    """Add admittances between two nodes; the reference has no row of its own."""
    for a, b, y in parts:
        for row, column, signed in ((a, a, y), (b, b, y), (a, b, -y), (b, a, -y)):
            if y != 0 and row in index and column in index:
                matrix[index[row], index[column]] += signed


def _nodes_and_ties(links: Iterable[tuple[str, str]]) -> tuple[list[str], list[str]]:
    """Return the nodes to solve for, and one node of each island to tie to the reference.

    An island has no galvanic or capacitive path to the reference. The tie carries no current and changes no voltage within
    the island; it only makes the equations solvable.
    """
    parent: dict[str, str] = {EARTH: EARTH}

    def root(node: str) -> str:
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    for a, b in links:
        parent.setdefault(a, a)
        parent.setdefault(b, b)
        parent[root(a)] = root(b)
    ties: dict[str, str] = {}
    for node in parent:
        if root(node) != root(EARTH):
            ties.setdefault(root(node), node)
    return [node for node in parent if node != EARTH], list(ties.values())
