"""Causes, hidden quantities and actions, read from ``catalogue.toml``.

The file holds every prior weight and signature with its reason; this module turns it into frozen tables
and lets counts of real causes update the weights.
"""

from __future__ import annotations

import dataclasses
import functools
import tomllib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.errors import ConfigError, UsageError

OTHER_METER = "other meter"
"""Family of a cause in the meter that gave the expected value."""
FAMILIES = ("none", "plan", "part", "supply", "lead", "setting", "meter")
KINDS = ("ac_volts", "dc_volts", "ohms", "current", "scope")
PSEUDO_COUNT = 20.0
"""How many real causes the prior weights stand for: after twenty counted ones both weigh the same."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Distribution:
    """How one hidden quantity is drawn: ``kind`` is a key of the file, ``jitter`` relative.

    Nothing is known of it before one of the checks `first_used` was done, where that is given. What is `anew` belongs to
    one check only (the cell, the second meter): the draw for it does not count for or against a particle.
    """

    kind: str
    values: tuple[Any, ...]
    p: tuple[float, ...] = ()
    jitter: float = 0.0
    first_used: tuple[str, ...] = ()
    anew: bool = False

    def draw(self, rng: np.random.Generator, size: int) -> Floats:
        """Draw `size` values."""
        if self.kind == "constant":
            return np.full(size, float(self.values[0]))
        # Strata instead of independent draws: each part of the range gets its share whatever the seed.
        u = rng.permutation((np.arange(size) + rng.random(size)) / max(1, size))
        if self.kind == "uniform":
            return np.asarray(self.values[0] + (self.values[1] - self.values[0]) * u)
        if self.kind == "normal":
            return rng.normal(self.values[0], self.values[1], size)
        if self.kind == "lognormal":
            return rng.lognormal(np.log(self.values[0]), self.values[1], size)
        if self.kind == "chance":
            return np.asarray(u < self.values[0], dtype=float)
        which = np.minimum(np.searchsorted(np.cumsum(self.p), u), len(self.p) - 1)
        if self.kind == "choice":
            return np.asarray(self.values, dtype=float)[which]
        mixed = np.empty(size)
        for alternative, part in enumerate(self.values):
            mine = which == alternative
            mixed[mine] = part.draw(rng, int(mine.sum()))
        return mixed

    def density(self, x: Floats) -> Floats:
        """Return the probability density at `x`; what has a probability of its own at a point adds nothing."""
        if self.kind == "mix":
            return np.asarray(sum(p * part.density(x) for p, part in zip(self.p, self.values, strict=True)))
        if self.kind == "uniform":
            low, high = self.values
            return np.asarray(((x >= low) & (x <= high)) / (high - low))
        if self.kind not in ("normal", "lognormal"):
            return np.zeros(x.shape)
        middle, sd = self.values
        positive = np.maximum(x, 1e-300)
        z = (x - middle if self.kind == "normal" else np.log(positive / middle)) / sd
        bell = np.exp(-0.5 * z**2) / (sd * np.sqrt(2.0 * np.pi))
        return np.asarray(bell if self.kind == "normal" else np.where(x > 0, bell / positive, 0.0))

    @property
    def points(self) -> tuple[float, ...]:
        """Values that have a probability of their own."""
        if self.kind == "mix":
            return tuple(point for part in self.values for point in part.points)
        return tuple(self.values) if self.kind in ("constant", "choice") else ()

    @property
    def at_points(self) -> float:
        """Return the probability of all `points` together."""
        if self.kind == "mix":
            return float(sum(p * part.at_points for p, part in zip(self.p, self.values, strict=True)))
        return 1.0 if self.points else 0.0

    @property
    def spreads(self) -> bool:
        """Whether it can be anything within a range."""
        if self.kind == "mix":
            return any(part.spreads for part in self.values)
        return self.kind in ("uniform", "normal", "lognormal")


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause of the reading; `weight` per kind of reading, `hidden` what differs.

    `free` names the hidden quantities that the first reading settles most; `coupling` is ``"ac"`` or ``"dc"`` where it shows
    only on that; `lasting` marks what can't be
    put right at the bench, `mains` what needs an outlet.
    """

    id: str
    family: str
    label: str
    weight: Mapping[str, float]
    hidden: Mapping[str, Distribution]
    reason: str
    free: tuple[str, ...] = ()
    coupling: str = ""
    lasting: bool = False
    mains: bool = False

    def possible(self, kind: str, source: str, coupling: str) -> bool:
        """Whether it can be the cause of a reading of a kind, fed by a source, of that coupling (empty: any)."""
        fed = source == "mains" or not self.mains
        return self.weight[kind] > 0 and fed and (not coupling or self.coupling in ("", coupling))


@dataclass(frozen=True, slots=True)
class Circumstance:
    """What else is known: `factors` multiply the weights of causes or families.

    `includes` names circumstances that are the same observation and don't count again, `without` the actions that make no sense
    then, `called` the label and family of causes that are something else then, `hidden` what is so then whatever the cause.
    """

    name: str
    factors: Mapping[str, float]
    includes: tuple[str, ...]
    without: tuple[str, ...]
    called: Mapping[str, tuple[str, str]]
    hidden: dict[str, Distribution]


@dataclass(frozen=True, slots=True)
class Action:
    """One check that can be asked for.

    `card` says what to do, with places for the words of a source; `proves` holds, per kind of reading, what this check
    must show within the share `within` to be a positive control; `mends` names the causes that it puts right for good, so
    that its reading is the one after; `mains` marks what needs an outlet; `or_word` can be answered instead of a reading.
    """

    id: str
    minutes: float
    alters: str
    power: str
    kinds: tuple[str, ...]
    card: str
    words: tuple[str, ...]
    repeats: int
    proves: Mapping[str, tuple[float | str, ...]]
    within: float
    mends: tuple[str, ...]
    mains: bool
    or_word: str

    def several(self, words: Collection[str]) -> bool:
        """Whether these words can be true at once: of many, all but the first, which says that nothing is to be seen."""
        return len(self.words) > 2 and self.words[0] not in words


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All of it; see ``catalogue.toml``."""

    engine: Mapping[str, float]
    loss: Mapping[str, float]
    again: Mapping[str, str]
    hidden: Mapping[str, dict[str, Distribution]]
    look: Mapping[str, tuple[str, float]]
    meanings: Mapping[str, str]
    contexts: Mapping[str, Circumstance]
    causes: tuple[Cause, ...]
    actions: Mapping[str, Action]
    sources: Mapping[str, Mapping[str, str]]

    def meanings_of(self, words: Sequence[str]) -> tuple[str, ...]:
        """Return what each of an action's answers means; empty where they need no explaining."""
        told = tuple(self.meanings.get(word, "") for word in words)
        return told if any(told) else ()

    def within(self, context: str) -> Catalogue:
        """Return the catalogue as it is in a context: what some causes are called, and what none of them changes."""
        there = self.contexts[context]
        causes = []
        for cause in self.causes:
            label, family = there.called.get(cause.id, (cause.label, cause.family))
            hidden = {name: d for name, d in cause.hidden.items() if name not in there.hidden}
            causes.append(dataclasses.replace(cause, label=label, family=family, hidden=hidden))
        hidden_by_kind = {kind: usual | there.hidden for kind, usual in self.hidden.items()}
        return dataclasses.replace(self, causes=tuple(causes), hidden=hidden_by_kind)

    @property
    def pick_up(self) -> tuple[float, float]:
        """Median in volts, and spread of the logarithm, of what a floating input picks up."""
        median, spread = self.hidden["ac_volts"]["ghost"].values
        return median, spread

    def card(self, text: str, source: str = "mains") -> str:
        """Return the text of a card in the words of what feeds the points, a key of `sources`."""
        return text.format(**self.sources[source])

    def weights(
        self,
        kind: str,
        contexts: tuple[str, ...] = (),
        counts: Mapping[str, float] | None = None,
        *,
        source: str = "mains",
        coupling: str = "",
    ) -> dict[str, float]:
        """Return prior probabilities of the causes of this kind of reading.

        Parameters
        ----------
        kind : str
            One of `KINDS`.
        contexts : tuple of str
            Keys of `contexts`, whose factors multiply the weights.
        counts : mapping of str to float, optional
            How often each cause was the real one here; Dirichlet update with `PSEUDO_COUNT`.
        source : str
            What feeds the points, a key of `sources`: only the mains has an outlet and a primary.
        coupling : {"", "ac", "dc"}
            Of the expected value.

        Raises
        ------
        UsageError
            For a counted cause that does not exist.
        """
        possible = [c for c in self.causes if c.possible(kind, source, coupling)]
        total = sum(c.weight[kind] for c in possible)
        shares = {c.id: c.weight[kind] / total for c in possible}
        if counts:
            shares = self._counted(shares, counts)
        families = {c.id: c.family for c in self.causes}
        known = [self.contexts[context] for context in dict.fromkeys(contexts)]
        for factors in (c.factors for c in known if not any(c.name in other.includes for other in known)):
            for name in shares:
                shares[name] *= factors.get(name, factors.get(families[name], 1.0))
        total = sum(shares.values())
        return {name: share / total for name, share in shares.items()}

    def _counted(self, shares: Mapping[str, float], counts: Mapping[str, float]) -> dict[str, float]:
        known = {c.id for c in self.causes}
        if unknown := sorted(set(counts) - known):
            raise UsageError(
                f"counts name unknown causes: {', '.join(unknown)}",
                hint=f"causes are {', '.join(sorted(known))}",
            )
        seen = sum(counts.get(name, 0.0) for name in shares)
        return {
            name: (PSEUDO_COUNT * share + counts.get(name, 0.0)) / (PSEUDO_COUNT + seen)
            for name, share in shares.items()
        }


def _distribution(name: str, table: Mapping[str, Any]) -> Distribution:
    if "reason" not in table:
        raise ConfigError(f"catalogue.toml: {name} gives no reason", hint="say where the number comes from")
    return _bare_distribution(name, table)


def _distributions(where: str, tables: Mapping[str, Any]) -> dict[str, Distribution]:
    return {name: _distribution(f"{where}.{name}", table) for name, table in tables.items()}


def _bare_distribution(name: str, table: Mapping[str, Any]) -> Distribution:
    kinds = ("constant", "uniform", "normal", "lognormal", "chance", "choice", "mix")
    found = [k for k in kinds if k in table]
    if len(found) != 1:
        raise ConfigError(f"catalogue.toml: {name} needs exactly one of {', '.join(kinds)}")
    kind = found[0]
    raw = table[kind]
    if kind == "mix":
        values: tuple[Any, ...] = tuple(_bare_distribution(name, part) for part in raw)
    else:
        values = tuple(float(v) for v in (raw if isinstance(raw, list) else [raw]))
    p = tuple(float(v) for v in table.get("p", ()))
    if kind in ("choice", "mix") and (len(p) != len(values) or abs(sum(p) - 1) > 1e-9):
        raise ConfigError(f"catalogue.toml: {name}: p must hold one share per alternative, sum 1")
    return Distribution(
        kind,
        values,
        p,
        float(table.get("jitter", 0.0)),
        tuple(table.get("first_used", ())),
        bool(table.get("anew", False)),
    )


def _cause(table: Mapping[str, Any], known: Mapping[str, Distribution]) -> Cause:
    name, free = table["id"], tuple(table.get("free", ()))
    own = _distributions(name, table.get("hidden", {}))
    unknown = {*own, *free} - set(known)
    if unknown or table["family"] not in FAMILIES or set(table["weight"]) != set(KINDS):
        raise ConfigError(f"catalogue.toml: cause {name}: {unknown or 'family or weights'} wrong")
    return Cause(
        name,
        table["family"],
        table["label"],
        table["weight"],
        own,
        table["reason"],
        free,
        table.get("coupling", ""),
        bool(table.get("lasting", False)),
        bool(table.get("mains", False)),
    )


def _circumstance(name: str, table: Mapping[str, Any]) -> Circumstance:
    called = {cause: (t["label"], t["family"]) for cause, t in table.get("called", {}).items()}
    return Circumstance(
        name,
        table["factors"],
        tuple(table.get("includes", ())),
        tuple(table.get("without", ())),
        called,
        _distributions(name, table.get("hidden", {})),
    )


def _action(table: Mapping[str, Any]) -> Action:
    return Action(
        table["id"],
        float(table["minutes"]),
        table["alters"],
        table.get("power", "as it is"),
        tuple(table["kinds"]),
        table["card"],
        tuple(table.get("expects", ())),
        int(table.get("repeats", 1)),
        {kind: tuple(known) for kind, known in table.get("proves", {}).items()},
        float(table.get("within", 0.0)),
        tuple(table.get("mends", ())),
        bool(table.get("mains", False)),
        table.get("or_word", ""),
    )


@functools.cache
def load_catalogue(contexts: tuple[str, ...] = ()) -> Catalogue:
    """Read the catalogue that comes with the package, as it is in these contexts.

    Raises
    ------
    ConfigError
        If a line is incomplete.
    """
    return load_catalogue(contexts[:-1]).within(contexts[-1]) if contexts else _shipped()


def _shipped() -> Catalogue:
    data = tomllib.loads(files("benchlog.diagnosis").joinpath("catalogue.toml").read_text("utf-8"))
    default = _distributions("hidden", data["hidden"])
    hidden = {kind: default | _distributions(kind, data["kind"].get(kind, {})) for kind in KINDS}
    return Catalogue(
        {name: float(t["value"]) for name, t in data["engine"].items()},
        {family: float(t["value"]) for family, t in data["loss"].items()},
        {family: t["card"] for family, t in data["again"].items()},
        hidden,
        {word: (t["flag"], float(t["p"])) for word, t in data["look"].items()},
        data["meaning"],
        {name: _circumstance(name, table) for name, table in data["context"].items()},
        tuple(_cause(table, default) for table in data["cause"]),
        {table["id"]: _action(table) for table in data["action"]},
        data["source"],
    )
