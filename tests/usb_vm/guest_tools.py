"""What the guest's tests use: lines of PASS and FAIL, instruments and cables by command, benchlog as a user runs it."""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import subprocess
import time
from pathlib import Path

HERE = Path(os.environ["KUSB_HERE"])
PY, PLAIN = os.environ["KUSB_PY"], os.environ["KUSB_PLAIN"]
OUT = Path("/tmp/out")
failed: list[str] = []
SCOPE = "USB0::0x1209::0x0022::SC0001::0::INSTR"
GENERATOR = "USB0::0x1209::0x0033::SG0001::0::INSTR"


def say(text: str) -> None:
    print(text, flush=True)


def check(name: str, good: bool, seen: object = "") -> None:
    say(f"{'PASS' if good else 'FAIL'} {name}: {' '.join(str(seen).split())[:300]}")
    if not good:
        failed.append(name)


def info(name: str, seen: object) -> None:
    say(f"info {name}: {' '.join(str(seen).split())[:400]}")


def control(on: str, do: str, **more):
    with socket.create_connection(("127.0.0.1", 3241)) as s, s.makefile("rw") as f:
        f.write(json.dumps({"on": on, "do": do, **more}) + "\n")
        f.flush()
        return json.loads(f.readline())


def how(on: str = "scope", **values) -> None:
    control(on, "set", values=values)


def shell(command: str) -> str:
    return subprocess.run(command, shell=True, capture_output=True, text=True, check=False).stdout


def attach(busid: str) -> None:
    """Two attaches in a row need a pause: the tool reads a port list that is being made."""
    for _ in range(5):
        if (
            subprocess.run(
                ["usbip", "attach", "-r", "127.0.0.1", "-b", busid], capture_output=True, check=False
            ).returncode
            == 0
        ):
            break
        time.sleep(2)
    time.sleep(2.5)


def detach(busid: str) -> None:
    port = ""
    for line in shell("usbip port 2>/dev/null").splitlines():
        if line.startswith("Port"):
            port = line.split()[1].rstrip(":")
        if f"/{busid}" in line:
            subprocess.run(["usbip", "detach", "-p", port], capture_output=True, check=False)
            return


def benchlog(
    *args: str, python: str = PY, cwd: str = "/tmp/w", limit: float = 150, user: int = 0, **env: str
):
    """Run the command as a user would; returns (exit code, both outputs, seconds)."""

    def become() -> None:
        if user:
            os.setgroups([20, 46])  # dialout and plugdev, as Debian numbers them
            os.setgid(user)
            os.setuid(user)

    start = time.monotonic()
    try:
        done = subprocess.run(
            [str(Path(python).with_name("benchlog")), *args], check=False, cwd=cwd, stdin=subprocess.DEVNULL, timeout=limit,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, preexec_fn=become,
            env={**os.environ, "COLUMNS": "200", "PYTHONDONTWRITEBYTECODE": "1", **env},
        )  # fmt: skip
        code, text = done.returncode, done.stdout
    except subprocess.TimeoutExpired as late:
        code, text = -1, (late.stdout or b"").decode() + f"\nstill running after {limit:g} s"
    with (OUT / "commands.log").open("a") as log:
        log.write(f"\n$ benchlog {' '.join(args)}   (uid {user}, {python})\n{text}\n[exit {code}]\n")
    return code, text, time.monotonic() - start


def folder(path: str, bench: str = "") -> str:
    shell(f"rm -rf {path}; mkdir -p {path}; chmod 777 {path}")
    if bench:
        Path(path, "bench.toml").write_text(bench)
    return path


def readings(book: str) -> list[tuple[int, float]]:
    """(sequence, volts) of all readings, through the program's own Python call."""
    code = (
        f"import benchlog,json;f=benchlog.open({book!r}).readings();"
        "print(json.dumps([[str(a),float(b)] for a,b in zip(f.iloc[:,0],f['value'])]))"
    )
    done = subprocess.run([PY, "-c", code], capture_output=True, text=True, check=False)
    if done.returncode:
        info("readings", done.stderr[-300:])
        return []
    return json.loads(done.stdout)


def kinds(book: str) -> list[str]:
    rows = sqlite3.connect(book).execute("SELECT text FROM entry ORDER BY seq").fetchall()
    return [json.loads(r[0]).get("kind", "?") for r in rows]


BENCH = f"""
[[instrument]]
tag = "M1"
kind = "meter"
address = "serial:/dev/ttyACM0?frames=segment14"
counts = 9999
accuracy = [{{ function = "V=", statement = "0.5 % + 2" }}]
[[instrument]]
tag = "SC"
kind = "scope"
address = "visa:{SCOPE}"
[[instrument]]
tag = "SG"
kind = "generator"
address = "visa:{GENERATOR}"
"""
