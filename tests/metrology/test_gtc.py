"""GTC comes without SciPy's slow imports, and all of it works nevertheless."""

from __future__ import annotations

import subprocess
import sys

CODE = """
import sys
from benchlog.metrology.budget import to_uncertain, uniform
assert abs(to_uncertain(uniform(27.75, 0.3275), "V").expanded_uncertainty - 0.378) < 1e-3
slow = [name for name in ("scipy.special", "scipy.optimize", "scipy.linalg") if name in sys.modules]
assert not slow, slow
from benchlog.metrology.gtc import reporting
assert abs(reporting.k_factor(10) - 2.228) < 1e-3  # Student t, 95 %, 10 degrees of freedom (GUM table G.2)
from scipy.special import ndtri
assert abs(ndtri(0.975) - 1.96) < 1e-3
"""


def test_scipy_is_imported_when_it_is_needed() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", CODE], capture_output=True, encoding="utf-8", check=False
    )
    assert done.returncode == 0, done.stderr
