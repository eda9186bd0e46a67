"""What a serial port makes of a line that runs at another baud rate: start bit, data bits, sampled mid-bit."""

from __future__ import annotations


def misread(data: bytes, sent_baud: int, read_baud: int, idle_bits: int = 20) -> bytes:
    """Return the bytes an 8N1 receiver at `read_baud` takes from 8N1 bytes sent back to back at `sent_baud`."""
    line = [1] * idle_bits
    for byte in data:
        line += [0, *(byte >> k & 1 for k in range(8)), 1]
    line += [1] * idle_bits
    duration = len(line) / sent_baud
    received, now, step = bytearray(), 0.0, 1 / read_baud

    def level(time: float) -> int:
        index = int(time * sent_baud)
        return line[index] if index < len(line) else 1

    while now < duration:
        if level(now):
            now += step / 16  # receivers look for the start edge sixteen times a bit
            continue
        received.append(sum(level(now + (k + 1.5) * step) << k for k in range(8)))
        now += 9.5 * step
    return bytes(received)
