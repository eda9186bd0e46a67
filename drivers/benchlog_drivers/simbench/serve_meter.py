"""A meter's link: frames of its family, at its own rate or as fast as they are read."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from benchlog_drivers.simbench.draws import generator
from benchlog_drivers.simbench.frames import ENCODERS, POLL
from benchlog_drivers.simbench.loopback import Connection
from benchlog_drivers.simbench.meter import HandheldMeter, MeterUpdates
from benchlog_drivers.simbench.scene import Scene

_POLL_S = 0.002
_IDLE_S = 0.5
_DEMAND_S = 10.0  # real time; only a nearly stalled computer takes this long


@dataclass(eq=False)
class MeterEndpoint:
    """Sends a meter's display as frames.

    On a running clock a frame is sent every 1/rate seconds. On a manual clock time may stand still, so the meter's time runs
    by frames: the next frame is sent once the last one was read (or, while `on_demand` is set, when `demand` is called), and
    counts as 1/rate later, until the clock moves or the scene changes. `demand` waits until its frame is sent, so that the
    number of frames, and their scene, does not depend on how busy the computer is.
    """

    meter: HandheldMeter
    scene: Scene
    wake: Callable[[], None]
    #: byte_loss, bit_flip: Fault of the link: probability of each byte being lost, of each byte having one
    #: bit flipped.
    byte_loss: float = 0.0
    bit_flip: float = 0.0
    connections: list[Connection] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._encode = ENCODERS[self.meter.spec.family]
        self._poll = POLL.get(self.meter.spec.family, b"")
        self.updates = MeterUpdates(self.meter, self.scene)
        self._next_real_s = 0.0
        self._sent = 0
        self._lock = threading.Condition()
        self._demanded = self._served = 0
        self._demanding_clients = 0

    def on_demand(self, clients: int) -> None:
        """Count clients (+1 or -1) that call `demand` for every frame."""
        with self._lock:
            self._demanding_clients += clients

    def demand(self) -> None:
        """Send one frame now and return once it is sent. No effect on a running clock."""
        if self._poll or not self.updates.manual:
            return
        with self._lock:
            self._demanded += 1
            mine = self._demanded
            self.wake()
            self._lock.wait_for(lambda: self._served >= mine, _DEMAND_S)

    def opened(self, connection: Connection) -> None:
        self.connections.append(connection)
        # Opening a port discards waiting bytes: give the client a moment before the first frame.
        self._next_real_s = time.monotonic() + 0.02

    def received(self, connection: Connection, data: bytes) -> None:
        """See `Endpoint.received`; only a polled family listens."""
        for _ in range(data.count(self._poll) if self._poll else 0):
            connection.send(self.frame())

    def closed(self, connection: Connection) -> None:
        with contextlib.suppress(ValueError):
            self.connections.remove(connection)

    def due(self) -> float:
        with self._lock:
            only_on_demand = self._demanding_clients > 0
        if self._poll or not self.connections:
            return _IDLE_S  # wait until the client is accepted
        now, period = time.monotonic(), 1.0 / self.meter.spec.rate_hz
        if not self.updates.manual:
            if now >= self._next_real_s:
                self._next_real_s = max(now, self._next_real_s + period)
                self._send(self.connections)
            return max(0.0, self._next_real_s - now)
        while self._served < self._demanded:
            self._send(self.connections)
            with self._lock:
                self._served += 1
                self._lock.notify_all()
        if only_on_demand:
            return _IDLE_S
        if now < self._next_real_s:
            return self._next_real_s - now
        waiting = [(c, c.unread()) for c in self.connections]
        if any(n is None for _, n in waiting):  # the platform can't tell: send at the meter's rate
            self._next_real_s = now + period
        if ready := [c for c, n in waiting if not n]:
            self._send(ready)
        return _POLL_S

    def frame(self) -> bytes:
        """Next frame, link faults included."""
        data = self._encode(self.updates.next())
        self._sent += 1
        return self._damaged(data) if self.byte_loss or self.bit_flip else data

    def _damaged(self, data: bytes) -> bytes:
        g = generator(self.scene.seed, "link", self.meter.tag, self._sent)
        out = bytearray()
        for byte in data:
            if g.random() < self.byte_loss:
                continue
            if g.random() < self.bit_flip:
                byte ^= 1 << int(g.integers(8))
            out.append(byte)
        return bytes(out)

    def _send(self, connections: list[Connection]) -> None:
        data = self.frame()
        for connection in list(connections):
            connection.send(data)
