"""Check the built wheel's file list: every module and data file of the packages, and nothing else."""

import subprocess
import sys
import zipfile
from pathlib import Path

out = Path(sys.argv[1])
(wheel,) = out.glob("*.whl")
(source,) = out.glob("*.tar.gz")
names = {n for n in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in n}
tracked = subprocess.run(
    ["git", "ls-files", "benchlog", "drivers"], capture_output=True, text=True, check=True
).stdout.splitlines()
wanted = {n.removeprefix("drivers/") for n in tracked}
missing, extra = sorted(wanted - names), sorted(names - wanted)
if missing or extra:
    sys.exit(f"wheel lacks {missing}, and holds {extra} beyond the tracked files")
print(
    f"wheel holds the {len(names)} tracked files of the packages; source archive {source.stat().st_size} bytes"
)
