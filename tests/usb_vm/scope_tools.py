"""The scope adapter in the guest: opened, set up, captured with, and what came of it."""

from __future__ import annotations

import time

from guest_tools import SCOPE, attach, control, info

from benchlog.errors import BenchlogError
from benchlog_drivers._session import LinkOptions
from benchlog_drivers.visa_scope import VisaScope


def replug() -> None:
    control("scope", "unplug")
    time.sleep(2)
    attach("1-2")


def outcome(f):
    start = time.monotonic()
    try:
        got = f()
        return got, f"ok in {time.monotonic() - start:.1f} s"
    except BenchlogError as error:
        return (
            error,
            f"{type(error).__name__} after {time.monotonic() - start:.1f} s: {error.message} | {error.hint}",
        )
    except Exception as error:  # noqa: BLE001
        return error, f"FOREIGN {type(error).__name__}: {error}"


def opened(resource: str = SCOPE, timeout_s: float = 2.0) -> VisaScope:
    scope = VisaScope("SC", resource, LinkOptions(timeout_s=timeout_s))
    got, text = outcome(scope.open)
    if isinstance(got, Exception):
        info("open", text)
    return scope


def ready(samples: int = 10000, timeout_s: float = 2.0) -> VisaScope:
    scope = opened(timeout_s=timeout_s)
    scope.set_vertical("CH1", 0.08)
    scope.set_vertical("CH2", 4.0)
    scope.set_timebase(n_samples=samples, span_s=0.002)
    scope.set_trigger("CH1", 0.0)
    return scope


def capture(scope: VisaScope, channels=("CH1", "CH2")):
    return outcome(lambda: scope.capture(channels, timeout_s=20))


def right(got, samples: int) -> bool:
    """Lengths, and CH2 sixty times CH1 to a tenth of a percent (one percent in a short record)."""
    if isinstance(got, Exception) or any(len(c.codes) != samples for c in got.channels):
        return False
    volts = [(c.codes * c.scale + c.offset).std() for c in got.channels]
    return len(volts) < 2 or abs(volts[1] / volts[0] / 60 - 1) < (1e-3 if samples >= 5000 else 1e-2)


def seen() -> str:
    events = [
        (e["what"], *[v for k, v in e.items() if k not in ("t", "what")]) for e in control("scope", "log")
    ]
    control("scope", "clear")
    return str([e for e in events if e[0] not in ("ren", "attach", "detach")])
