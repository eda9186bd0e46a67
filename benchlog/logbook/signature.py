"""Signatures of a digest with an SSH key, made and checked by ssh-keygen."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from enum import StrEnum
from pathlib import Path

from benchlog.errors import UsageError
from benchlog.files import write_whole

NAMESPACE = "benchlog-head"
_TIMEOUT_S = 60


class Signer(StrEnum):
    """What is known of the key behind a signature."""

    KNOWN = "known"
    UNKNOWN = "unknown"
    FALSE = "false"
    UNCHECKED = "unchecked"


def signed_text(digest: str) -> str:
    """What is signed: one line."""
    return f"sha256:{digest}\n"


def sign(digest: str, key: Path) -> tuple[str, str]:
    """Sign a digest.

    Parameters
    ----------
    digest : str
        SHA-256, 64 hex digits.
    key : Path
        Private key, or a public key whose private half an agent holds.

    Returns
    -------
    signature, fingerprint : str
        As ssh-keygen writes them.

    Raises
    ------
    UsageError
        If ssh-keygen is missing or refuses.
    """
    with tempfile.TemporaryDirectory() as folder:
        made = sign_into_files(digest, Path(folder) / "head.txt", key)
        shown = _run(["-l", "-f", str(key)])
        if shown.returncode:
            raise UsageError(f"ssh-keygen can't read {key}: {_said(shown)}", hint="--key ~/.ssh/id_ed25519")
        return made.read_text(encoding="ascii"), _fingerprint(shown)


def sign_into_files(digest: str, path: Path, key: Path) -> Path:
    """Write the digest into `path` and its detached signature beside it (``.sig``); returns the latter.

    Raises
    ------
    UsageError
        If ssh-keygen is missing or refuses, or a file is there already.
    """
    made = path.with_name(path.name + ".sig")
    for file in (path, made):
        if file.exists():
            raise UsageError(f"{file} exists already", hint="name a new file; nothing is ever overwritten")
    write_whole(path, signed_text(digest))
    done = _run(["-Y", "sign", "-f", str(key), "-n", NAMESPACE, str(path)])
    if done.returncode:
        path.unlink()
        if not key.exists():
            raise UsageError(f"there is no key {key}", hint="`ssh-keygen -t ed25519` makes one")
        raise UsageError(f"ssh-keygen failed: {_said(done)}", hint="see the message of the tool")
    return made


def check_signature(signature: str, digest: str, signers: Path | None) -> tuple[Signer, str, str]:
    """Check a signature over a digest.

    Parameters
    ----------
    signature : str
        As `sign` returned it.
    signers : Path, optional
        File of allowed signers: one line each, ``name key-type key`` (see ssh-keygen).

    Returns
    -------
    state : Signer
    name : str
        Who signed, by the file of signers; else what ssh-keygen says.
    fingerprint : str
        Of the key that made it; ``""`` where it is false or was not checked.
    """
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "head.txt.sig"
        write_whole(file, signature)
        name, words = "", ["-Y", "check-novalidate", "-n", NAMESPACE, "-s", str(file)]
        try:
            if signers is not None:
                found = _run(["-Y", "find-principals", "-s", str(file), "-f", str(signers)])
                name = next(iter(found.stdout.split()), "") if not found.returncode else ""
            if name:
                words = ["-Y", "verify", "-f", str(signers), "-I", name, "-n", NAMESPACE, "-s", str(file)]
            done = _run(words, signed_text(digest))
        except UsageError as error:
            return Signer.UNCHECKED, error.message, ""
    if done.returncode:
        return Signer.FALSE, _said(done), ""
    return (Signer.KNOWN if name else Signer.UNKNOWN), name or _said(done), _fingerprint(done)


def _fingerprint(done: subprocess.CompletedProcess[str]) -> str:
    found = re.search(r"SHA256:[A-Za-z0-9+/=]+", done.stdout)
    return found[0] if found else ""


def _said(done: subprocess.CompletedProcess[str]) -> str:
    return " ".join((done.stderr or done.stdout).split())[-300:]


def _run(words: list[str], text: str | None = None) -> subprocess.CompletedProcess[str]:
    keygen = shutil.which("ssh-keygen")
    if keygen is None:
        raise UsageError("ssh-keygen is not installed", hint="install OpenSSH")
    try:
        return subprocess.run(  # noqa: S603 - a list of words, no shell; the tool was found on the path
            [keygen, *words],
            input=text,
            capture_output=True,
            text=True,
            timeout=_TIMEOUT_S,
            check=False,
            errors="replace",
        )
    except subprocess.TimeoutExpired as error:
        raise UsageError(
            f"ssh-keygen took longer than {_TIMEOUT_S} s", hint="is it waiting for a touch of a key?"
        ) from error
