"""Part or meter? Ranked causes of a reading that looks wrong, and the cheapest next check."""

from benchlog.diagnosis.answer import Diagnosis, NextCheck, RankedCause
from benchlog.diagnosis.case import Case, Evidence, parse_evidence, plausible
from benchlog.diagnosis.session import Session, diagnose

__all__ = [
    "Case",
    "Diagnosis",
    "Evidence",
    "NextCheck",
    "RankedCause",
    "Session",
    "diagnose",
    "parse_evidence",
    "plausible",
]
