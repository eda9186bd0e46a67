"""Outside anchors for a head digest, made by existing tools when they are there.

A digest proves nothing about when it was made unless somebody else has it: a time-stamping authority answers an
RFC 3161 request, a friend keeps a mail. A signature ties the digest to a key, not to a time.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from benchlog.errors import UsageError
from benchlog.files import write_whole

__all__ = ["SIGNATURE_NAMESPACE", "signature", "timestamp_request"]

SIGNATURE_NAMESPACE = "benchlog-head"
_TIMEOUT_S = 60


def _tool(name: str, package: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise UsageError(
            f"{name} is not installed",
            hint=f"install {package}, or anchor the digest by hand: mail it, print it, photograph the screen",
        )
    return found


def _run(words: list[str], what: str) -> None:
    try:
        done = subprocess.run(  # noqa: S603 - a list of words, no shell; the tool was found on the path
            words, capture_output=True, text=True, timeout=_TIMEOUT_S, check=False, errors="replace"
        )
    except subprocess.TimeoutExpired as error:
        raise UsageError(
            f"{what} took longer than {_TIMEOUT_S} s", hint="is it waiting for a touch of a key?"
        ) from error
    if done.returncode:
        raise UsageError(f"{what} failed: {done.stderr.strip()[-300:]}", hint="see the message of the tool")


def timestamp_request(digest: str, path: Path) -> Path:
    """Write an RFC 3161 time-stamp request for a digest, by openssl.

    Parameters
    ----------
    digest : str
        SHA-256, 64 hex digits.
    path : Path
        File to write, usually ``*.tsq``; to be sent to a time-stamping authority by its owner.

    Raises
    ------
    UsageError
        If openssl is missing or fails, or the file exists.
    """
    openssl = _tool("openssl", "OpenSSL")
    _refuse_existing(path)
    _run([openssl, "ts", "-query", "-digest", digest, "-sha256", "-cert", "-out", str(path)], "openssl")
    return path


def signature(digest: str, path: Path, key: Path) -> Path:
    """Write the digest into `path` and its detached signature beside it (``.sig``), by ssh-keygen.

    Parameters
    ----------
    digest : str
    path : Path
        File for the digest, one line.
    key : Path
        Private key, or a public key whose private half an agent holds.

    Returns
    -------
    Path
        The signature.

    Raises
    ------
    UsageError
        If ssh-keygen is missing or fails, or a file exists.
    """
    keygen = _tool("ssh-keygen", "OpenSSH")
    made = path.with_name(path.name + ".sig")
    _refuse_existing(path)
    _refuse_existing(made)
    write_whole(path, f"sha256:{digest}\n")
    try:
        _run([keygen, "-Y", "sign", "-f", str(key), "-n", SIGNATURE_NAMESPACE, str(path)], "ssh-keygen")
    except UsageError:
        path.unlink()
        raise
    return made


def _refuse_existing(path: Path) -> None:
    if path.exists():
        raise UsageError(f"{path} exists already", hint="name a new file; nothing is ever overwritten")
