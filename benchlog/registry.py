"""From an address to an adapter: the built-in table, outside plug-ins, and reasons for what is unavailable.

Built-in adapters are listed as strings in `benchlog_drivers.BUILT_IN` and are imported by name when asked for, so
that nothing here depends on them. Other distributions add theirs under the entry-point group
``benchlog.adapters``; the entry point's name is the address scheme.

An adapter factory is a class or function with an attribute ``Options`` (a frozen dataclass or `msgspec.Struct`,
or None for "takes none") that is called as ``factory(instrument, rest, options, clock=clock)`` and returns an
adapter that is not open yet. ``scheme.kind`` in the table (``visa.scope``) is looked up before plain ``scheme``;
the kind is ``meter`` unless said.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Protocol

import msgspec

from benchlog.address import Address, build_options, parse_address
from benchlog.clock import Clock
from benchlog.errors import AdapterUnavailableError, BenchlogError, ConfigError, UsageError, did_you_mean

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

    from benchlog.adapter import Adapter

GROUP = "benchlog.adapters"
KINDS = ("meter", "scope", "generator")
_BUILT_IN_PACKAGE = "benchlog_drivers"
_OURS = ("benchlog", _BUILT_IN_PACKAGE)
# Where a library's import name is not what is installed.
_DISTRIBUTIONS = {"serial": "pyserial", "usb": "pyusb"}


def _warn(words: str, *parts: object) -> None:
    import logging  # not needed by commands that only read the bench file

    logging.getLogger(__name__).warning(words, *parts)


class AdapterFactory(Protocol):
    """What makes an adapter of one scheme."""

    Options: Any

    def __call__(self, instrument: str, rest: str, options: Any, *, clock: Clock | None = None) -> Adapter:
        """Return an adapter that is not open yet."""
        ...


class Unavailable(msgspec.Struct, frozen=True):
    """An adapter that can't be used, and why."""

    name: str  #: Address scheme.
    origin: str  #: ``"built-in"`` or the distribution it comes from.
    #: reason, hint: For the person at the bench.
    reason: str
    hint: str = ""


class Registry:
    """Adapters by scheme.

    Parameters
    ----------
    built_in : mapping of str to str, optional
        Name to ``"module:attribute"``; the shipped table by default.
    plug_ins : iterable of EntryPoint, optional
        Those installed under `GROUP` by default.
    """

    def __init__(
        self, built_in: Mapping[str, str] | None = None, plug_ins: Iterable[EntryPoint] | None = None
    ) -> None:
        from importlib.metadata import entry_points  # slow to import, and an address of our own needs none

        self._built_in = dict(_shipped_table() if built_in is None else built_in)
        self._plug_ins: dict[str, EntryPoint] = {}
        self._refused: list[Unavailable] = []
        taken = {name.partition(".")[0] for name in self._built_in}
        for point in entry_points(group=GROUP) if plug_ins is None else plug_ins:
            origin = _origin(point)
            if point.name.partition(".")[0] in taken:
                self._refuse(point.name, origin, f"{origin} wants the name of a built-in adapter")
            elif point.name in self._plug_ins:
                first = _origin(self._plug_ins[point.name])
                self._refuse(point.name, origin, f"{origin} wants a name that {first} has already")
            else:
                self._plug_ins[point.name] = point

    def _refuse(self, name: str, origin: str, reason: str) -> None:
        hint = f"uninstall {origin}, or ask its author for another name"
        self._refused.append(Unavailable(name, origin, reason, hint))
        _warn("adapter %s refused: %s", name, reason)

    def schemes(self) -> dict[str, str]:
        """Return where each known scheme comes from: ``"built-in"`` or a distribution."""
        found = {name.partition(".")[0]: "built-in" for name in self._built_in}
        return found | {name.partition(".")[0]: _origin(p) for name, p in self._plug_ins.items()}

    def factory(self, scheme: str, kind: str = "") -> AdapterFactory:
        """Import and return the adapter factory of a scheme.

        Raises
        ------
        AdapterUnavailableError
            If there is none, a library it needs is missing, or the plug-in is broken.
        """
        for name in (f"{scheme}.{kind or 'meter'}", scheme):
            if name in self._built_in:
                return _import_built_in(name, self._built_in[name])
            if name in self._plug_ins:
                return _load_plug_in(self._plug_ins[name])
        known = self.schemes()
        kinds = [
            n.partition(".")[2] for n in (*self._built_in, *self._plug_ins) if n.startswith(f"{scheme}.")
        ]
        if kinds:
            raise AdapterUnavailableError(
                f"adapter {scheme!r} has no kind {kind or 'meter'!r}",
                hint=f"add the option kind=, one of: {', '.join(kinds)}",
            )
        raise AdapterUnavailableError(
            f"no adapter is called {scheme!r}", hint=f"known: {', '.join(sorted(known)) or 'none'}"
        )

    def unavailable(self) -> list[Unavailable]:
        """Try every adapter; list those that can't be used, with reasons. One broken does not stop the others."""
        found = list(self._refused)
        for name in (*self._built_in, *self._plug_ins):
            point = self._plug_ins.get(name)
            origin = "built-in" if point is None else _origin(point)
            try:
                if point is None:
                    _import_built_in(name, self._built_in[name])
                else:
                    _load_plug_in(point)
            except AdapterUnavailableError as error:
                found.append(Unavailable(name, origin, error.message, error.hint))
        return found

    def make(
        self,
        address: str | Address,
        tag: str,
        *,
        clock: Clock | None = None,
        options: Mapping[str, Any] | None = None,
        kind: str = "",
    ) -> Adapter:
        try:
            where = parse_address(address) if isinstance(address, str) else address
            return self._make(where, tag, clock, options, kind)
        except BenchlogError as error:
            error.instrument = error.instrument or tag
            raise

    def _make(
        self, where: Address, tag: str, clock: Clock | None, options: Mapping[str, Any] | None, kind: str
    ) -> Adapter:
        if where.inner is not None:
            # A wrapper takes what it wraps in the place of options, which all go to the wrapped address.
            wrapped = self.make(where.inner, tag, clock=clock, options=options, kind=kind)
            return self.factory(where.scheme)(tag, where.rest, wrapped, clock=clock)
        given: dict[str, Any] = dict(where.options)
        for key, value in (options or {}).items():
            if key in given and str(given[key]) != str(value):
                raise ConfigError(
                    f"{where}: option {key!r} is {given[key]!r} in the address but {value!r} in the bench file",
                    hint="keep one of them",
                )
            given[key] = value
        kind = str(given.pop("kind", kind))
        if kind and kind not in KINDS:
            raise ConfigError(f"{where}: kind {kind!r}", hint=f"one of: {', '.join(KINDS)}")
        factory = self.factory(where.scheme, kind)
        if factory.Options is None:
            if given:
                raise ConfigError(
                    f"{where}: unknown option {next(iter(given))!r}", hint="this adapter takes none"
                )
            return factory(tag, where.rest, None, clock=clock)
        return factory(tag, where.rest, build_options(factory.Options, given, place=str(where)), clock=clock)


def refuse_unknown(address: Address) -> None:
    """Raise `UsageError` for a scheme that neither benchlog nor a plug-in serves; nothing is imported for it."""
    if address.inner is not None:
        refuse_unknown(address.inner)
    scheme = address.scheme
    if scheme in {name.partition(".")[0] for name in _shipped_table()}:
        return  # the usual case: plug-ins need not be looked for
    known = Registry().schemes()
    if scheme not in known:
        listed = f"known: {', '.join(sorted(known)) or 'none'}; others need their plug-in installed"
        raise UsageError(
            f"address {str(address)!r}: nothing is called {scheme!r}",
            hint=did_you_mean(scheme, known, listed),
        )


def _origin(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else point.value


def _shipped_table() -> Mapping[str, str]:
    try:
        package = importlib.import_module(_BUILT_IN_PACKAGE)
    except ModuleNotFoundError as error:
        if error.name != _BUILT_IN_PACKAGE:
            raise
        _warn("package %s is not installed: no built-in adapters", _BUILT_IN_PACKAGE)
        return {}
    table: Mapping[str, str] = package.BUILT_IN
    return table


def _import_built_in(name: str, target: str) -> AdapterFactory:
    module_name, _, attribute = target.partition(":")
    try:
        module = importlib.import_module(module_name)
    except ImportError as error:
        missing = (error.name or "").partition(".")[0]
        if not missing or missing in _OURS:
            raise  # ours to mend, not the user's
        raise _library_missing(name, missing) from error
    factory: AdapterFactory = getattr(module, attribute)
    return factory


def _library_missing(name: str, library: str) -> AdapterUnavailableError:
    distribution = _DISTRIBUTIONS.get(library, library)
    return AdapterUnavailableError(
        f"adapter {name!r} needs the library {library}, which can't be imported",
        hint=f"install it: pip install {distribution}",
    )


def _load_plug_in(point: EntryPoint) -> AdapterFactory:
    origin = _origin(point)
    try:
        factory: AdapterFactory = point.load()
    except ImportError as error:
        missing = (error.name or "").partition(".")[0]
        if missing and missing not in (*_OURS, point.module.partition(".")[0]):
            raise _library_missing(point.name, missing) from error
        raise AdapterUnavailableError(
            f"plug-in {point.name!r} of {origin} can't be imported: {error}", hint=f"reinstall {origin}"
        ) from error
    except Exception as error:  # whatever an outside module does on import must not stop the others
        raise AdapterUnavailableError(
            f"plug-in {point.name!r} of {origin} fails on import: {type(error).__name__}: {error}",
            hint=f"update {origin}, or ask its author",
        ) from error
    if not callable(factory) or not hasattr(factory, "Options"):
        raise AdapterUnavailableError(
            f"plug-in {point.name!r} of {origin} is not an adapter factory: {point.value} lacks Options",
            hint=f"update {origin}, or ask its author",
        )
    return factory


def make_adapter(
    address: str | Address,
    tag: str,
    *,
    clock: Clock | None = None,
    options: Mapping[str, Any] | None = None,
    kind: str = "",
) -> Adapter:
    """Make the adapter of an address; it is not open yet.

    Parameters
    ----------
    address : str or Address
        ``scheme:rest?key=value``.
    tag : str
        Tag of the instrument.
    clock : Clock, optional
        Where time comes from; the computer's own by default.
    options : mapping, optional
        More options, as from ``[instrument.options]`` of the bench file.
    kind : {"", "meter", "scope", "generator"}
        Which adapter of a scheme that has several, ``meter`` by default; the address option ``kind=`` says the same.

    Raises
    ------
    UsageError
        If the address can't be read.
    ConfigError
        For an unknown option or a value of the wrong kind.
    AdapterUnavailableError
        If there is no such adapter, or a library it needs is missing.
    """
    return Registry().make(address, tag, clock=clock, options=options, kind=kind)


def unavailable() -> list[Unavailable]:
    """List the adapters that can't be used here, with reasons."""
    return Registry().unavailable()
