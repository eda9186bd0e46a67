"""Two windings on one core have the same waveform: if their harmonics differ, one channel is wrong."""

from __future__ import annotations

import math

import numpy as np

from benchlog.capture import Capture
from benchlog.checks.scope_channels import ChannelPair
from benchlog.finding import Finding, FindingKind
from benchlog.signal.quantisation import code_step

#: Harmonics of an 8-bit converter's own curvature, over the fundamental (common practice, no source).
_CONVERTER = 0.01
#: A harmonic must exceed the noise by this many standard uncertainties.
_STANDS_OUT = 5.0


def unlike_harmonics(pair: ChannelPair, capture: Capture) -> Finding | None:
    """Report a harmonic that is in one channel and not in the other.

    All windings of a core enclose one flux, so the ratio is the same at every harmonic. Clipping or an overloaded probe in
    one channel adds harmonics there and reduces its fundamental. Magnitudes are compared, since a delay changes each
    harmonic's phase differently.

    Parameters
    ----------
    capture : Capture
        Holds the pair's channels.
    """
    fit = pair.fit
    names = (pair.numerator, pair.denominator)
    relative = np.abs(fit.harmonics[:, 1:]) / fit.amplitude[:, None]
    if not relative.size:
        return None
    noise = []
    for name, amplitude, rms in zip(names, fit.amplitude, fit.noise_rms, strict=True):
        record = capture.channel(name)
        step = code_step(record.codes) * abs(record.scale * record.probe)
        # Error of any spectral line by few converter steps, see `benchlog.signal.quantisation`.
        steps = 0.2 * (step / amplitude) ** 1.5
        noise.append(math.hypot(rms * math.sqrt(2 / fit.n_samples) / amplitude, steps))
    allowed = max(_CONVERTER, _STANDS_OUT * math.hypot(*noise))
    apart = np.abs(relative[0] - relative[1])
    order = int(np.argmax(apart))
    if apart[order] <= allowed:
        return None
    first, second = (f"{100 * share:.2f} %" for share in relative[:, order])
    odd = names[int(np.argmax(relative[:, order]))]
    return Finding(
        FindingKind.HARMONICS,
        f"harmonic {order + 2} is {first} of the fundamental on channel {names[0]} and {second} on channel {names[1]}: "
        f"windings on one core have the same waveform, so channel {odd} is clipped or overloaded; use a larger range",
    )
