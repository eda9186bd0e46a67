"""Scopes and a generator made straight from the dialogues in the shipped dialect files, for tests."""

from __future__ import annotations

import re

import numpy as np
from helpers.scpi_server import Answer, ScpiServer, Scripted

DIVISIONS_X = 10


class _Scope:
    """State both families share; `signal(channel, t)` gives volts at the probe tip."""

    def __init__(self) -> None:
        self.scale = {"CH1": 1.0, "CH2": 1.0}
        self.probe = {"CH1": 1.0, "CH2": 1.0}
        self.coupling = {"CH1": "DC", "CH2": "DC"}
        self.seconds_per_division = 1e-3
        self.samples = 1000
        self.source = "CH1"
        self.trigger: tuple[str, float] = ("CH1", 0.0)
        self.first, self.last = 1, 1000
        self.busy_polls = 2
        self.taken = False

    def _signal(self, channel: str) -> np.ndarray:
        t = np.arange(self.samples) * self.interval_s
        peak = {"CH1": 3.0, "CH2": 0.25}[channel]
        return np.asarray(peak * np.sin(2 * np.pi * 1000 * t) + 0.1)

    @property
    def interval_s(self) -> float:
        return self.seconds_per_division * DIVISIONS_X / self.samples

    def _busy(self) -> bool:
        self.busy_polls -= 1
        return self.busy_polls >= 0

    def _set(self, table: dict[str, float], channel: str, value: str) -> None:
        table[channel] = float(value)

    def _window(self, first: str | None = None, last: str | None = None) -> None:
        if first:
            self.first = int(first)
        if last:
            self.last = int(last)


def _block(payload: bytes) -> bytes:
    return b"#9%09d" % len(payload) + payload + b"\n"


class PreambleScope(_Scope):
    """Answers as `preamble_ten.toml` says: 8-bit codes, 25 per division, zero at 128."""

    def instrument(self) -> Scripted:
        c = r":CHANnel([12]):"

        def ch(m: re.Match[str]) -> str:
            return f"CH{m[1]}"

        return Scripted(
            {
                c + r"DISPlay ON": None,
                c + r"PROBe (\S+)": lambda m: self._set(self.probe, ch(m), m[2]),
                c + r"COUPling (DC|AC)": lambda m: self.coupling.update({ch(m): m[2]}),
                c + r"OFFSet 0": None,
                c + r"SCALe (\S+)": lambda m: self._set(self.scale, ch(m), m[2]),
                c + r"SCALe\?": lambda m: f"{self.scale[ch(m)]:.6e}",
                c + r"PROBe\?": lambda m: f"{self.probe[ch(m)]:g}",
                c + r"COUPling\?": lambda m: self.coupling[ch(m)],
                r":TIMebase:MAIN:SCALe (\S+)": lambda m: setattr(self, "seconds_per_division", float(m[1])),
                r":ACQuire:MDEPth (\d+)": lambda m: setattr(self, "samples", int(m[1])),
                r":TRIGger:EDGe:SOURce CHANnel(\d)": lambda m: setattr(self, "trigger", (ch(m), 0.0)),
                r":TRIGger:EDGe:SLOPe POSitive": None,
                r":TRIGger:EDGe:LEVel (\S+)": lambda m: setattr(
                    self, "trigger", (self.trigger[0], float(m[1]))
                ),
                r":SINGle": lambda m: setattr(self, "taken", True),
                r":TRIGger:STATus\?": lambda m: "WAIT" if self._busy() else "STOP",
                r":WAVeform:SOURce CHANnel(\d)": lambda m: setattr(self, "source", ch(m)),
                r":WAVeform:MODE RAW": None,
                r":WAVeform:FORMat BYTE": None,
                r":WAVeform:PREamble\?": lambda m: (
                    f"0,2,{self.samples},1,{self.interval_s:.6e},0,0,{self.scale[self.source] / 25:.6e},0,128"
                ),
                r":WAVeform:STARt (\d+)": lambda m: self._window(first=m[1]),
                r":WAVeform:STOP (\d+)": lambda m: self._window(last=m[1]),
                r":WAVeform:DATA\?": lambda m: self._data(),
            },
            identity="simulated,SC-03,0,1.0",
            error_query=":SYSTem:ERRor?",
        )

    def codes(self, channel: str) -> np.ndarray:
        """Codes of the record of a channel."""
        step = self.scale[channel] / 25
        return np.clip(np.round(self._signal(channel) / step) + 128, 0, 255).astype(np.uint8)

    def _data(self) -> Answer:
        return _block(self.codes(self.source)[self.first - 1 : self.last].tobytes())


class FieldScope(_Scope):
    """Answers as `field_queries.toml` says: 16-bit codes, high byte first, 6400 per division."""

    def instrument(self) -> Scripted:
        c = r"(CH[12]):"
        return Scripted(
            {
                r"HEADer OFF": None,
                r"\*ESR\?": "0",
                r"SELect:CH[12] ON": None,
                c + r"PRObe (\S+)": lambda m: self._set(self.probe, m[1], m[2]),
                c + r"COUPling (DC|AC)": lambda m: self.coupling.update({m[1]: m[2]}),
                c + r"POSition 0": None,
                c + r"SCAle (\S+)": lambda m: self._set(self.scale, m[1], m[2]),
                c + r"SCAle\?": lambda m: f"{self.scale[m[1]]:.4E}",
                c + r"PRObe\?": lambda m: f"{self.probe[m[1]]:.1E}",
                c + r"COUPling\?": lambda m: self.coupling[m[1]],
                r"HORizontal:SCAle (\S+)": lambda m: setattr(self, "seconds_per_division", float(m[1])),
                r"HORizontal:RECOrdlength (\d+)": lambda m: setattr(self, "samples", int(m[1])),
                r"HORizontal:RECOrdlength\?": lambda m: str(self.samples),
                r"TRIGger:MAIn:EDGE:SOUrce (CH\d)": lambda m: setattr(self, "trigger", (m[1], 0.0)),
                r"TRIGger:MAIn:EDGE:SLOpe RISe": None,
                r"TRIGger:MAIn:LEVel (\S+)": lambda m: setattr(
                    self, "trigger", (self.trigger[0], float(m[1]))
                ),
                r"ACQuire:STOPAfter SEQuence": None,
                r"ACQuire:STATE RUN": lambda m: setattr(self, "taken", True),
                r"ACQuire:STATE\?": lambda m: "1" if self._busy() else "0",
                r"DATa:SOUrce (CH\d)": lambda m: setattr(self, "source", m[1]),
                r"DATa:ENCdg RIBinary": None,
                r"DATa:WIDth 2": None,
                r"WFMPre:XINcr\?": lambda m: f"{self.interval_s:.6E}",
                r"WFMPre:YMUlt\?": lambda m: f"{self.scale[self.source] / 6400:.6E}",
                r"WFMPre:YOFf\?": "1.28E2",
                r"WFMPre:YZEro\?": "0.0E0",
                r"DATa:STARt (\d+)": lambda m: self._window(first=m[1]),
                r"DATa:STOP (\d+)": lambda m: self._window(last=m[1]),
                r"CURVe\?": lambda m: self._data(),
            },
            identity="simulated,FS-01,0,1.0",
            error_query="EVMsg?",
        )

    def codes(self, channel: str) -> np.ndarray:
        """Codes of the record of a channel."""
        step = self.scale[channel] / 6400
        return np.round(self._signal(channel) / step + 128).astype(np.int16)

    def _data(self) -> Answer:
        return _block(self.codes(self.source)[self.first - 1 : self.last].astype(">i2").tobytes())


def generator(settings: dict[str, str]) -> Scripted:
    """A generator as `scpi_generator.toml` says; what it was set to ends up in `settings`. Up to 10 MHz."""

    def frequency(m: re.Match[str]) -> None:
        if float(m[1]) > 10e6:
            script.errors.append('-222,"Data out of range;frequency"')
        else:
            settings["frequency"] = m[1]

    script = Scripted(
        {
            r"OUTPut1:LOAD (.*)": lambda m: settings.update(load=m[1]),
            r"SOURce1:FUNCtion (.*)": lambda m: settings.update(function=m[1]),
            r"SOURce1:VOLTage:UNIT (.*)": lambda m: settings.update(unit=m[1]),
            r"SOURce1:VOLTage:OFFSet (.*)": lambda m: settings.update(offset=m[1]),
            r"SOURce1:FREQuency (\S+)": frequency,
            r"SOURce1:VOLTage (\S+)": lambda m: settings.update(amplitude=m[1]),
            r"OUTPut1 (ON|OFF)": lambda m: settings.update(output=m[1]),
        },
        identity="simulated,SG-04,0,1.0",
    )
    return script


def meter(reply: str = "+2.77512345E+01", setting: str = '"VOLT:AC +1.0E+02,+1.0E-02"') -> Scripted:
    """A meter as `scpi_meter.toml` says, that always answers the same."""
    return Scripted(
        {r"CONFigure:\S+": None, r"CONFigure\?": setting, r"READ\?": reply}, identity="simulated,MA-01,0,1.0"
    )


def main() -> None:
    """Serve one of each until standard input ends; their ports go to standard output, a line each."""
    import sys

    instruments = [meter(), PreambleScope().instrument(), FieldScope().instrument(), generator({})]
    servers = [ScpiServer(instrument) for instrument in instruments]
    print(*(server.port for server in servers), flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    main()
