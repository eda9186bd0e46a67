"""Time stamps by a third party (RFC 3161): somebody else had this digest at that time.

A digest alone does not show when it was made. A time-stamping authority signs it together with its own time. Its answer
is kept in the logbook, in an entry after the one it is about, and can also be checked with openssl.
"""

from __future__ import annotations

import warnings
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from benchlog.clock import rfc3339
from benchlog.errors import UsageError
from benchlog.files import read_bounded

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

_TIMEOUT_S = 30
_LARGEST_ANSWER = 200_000


class TimeStamp(msgspec.Struct, frozen=True):
    """What an authority's answer says."""

    digest: str  #: SHA-256 it was asked about, 64 hex digits.
    time: str  #: RFC 3339, by the authority's clock.
    authority: str  #: Name in its certificate.
    answer: bytes  #: As it came, DER.


def request_for(text: str) -> bytes:
    """Return the request for an entry's text; it carries the digest, not the text."""
    from rfc3161_client import HashAlgorithm, TimestampRequestBuilder

    builder = TimestampRequestBuilder().data(text.encode()).hash_algorithm(HashAlgorithm.SHA256)
    return builder.cert_request(cert_request=True).build().as_bytes()


def ask(url: str, request: bytes) -> bytes:
    """Send a request to an authority and return its answer.

    Raises
    ------
    UsageError
        If it can't be reached, or answers something else.
    """
    import urllib.error
    import urllib.request

    if not url.startswith(("http://", "https://")):
        raise UsageError(
            f"{url!r} is not the address of an authority", hint="like https://tsa.example.org/tsr"
        )
    question = urllib.request.Request(  # noqa: S310 - http and https only, see above
        url, data=request, headers={"Content-Type": "application/timestamp-query"}
    )
    try:
        with urllib.request.urlopen(question, timeout=_TIMEOUT_S) as answer:  # noqa: S310
            found: bytes = answer.read(_LARGEST_ANSWER)
    except (urllib.error.URLError, OSError, ValueError) as error:
        raise UsageError(
            f"{url} did not answer: {error}",
            hint="do it by hand or by mail with --request FILE and --answer FILE",
        ) from None
    return found


def read_stamp(answer: bytes) -> TimeStamp:
    """Read an authority's answer; `stamp_fault` checks whether it is genuine.

    Raises
    ------
    UsageError
        If it is not an answer, or a refusal.
    """
    from cryptography import x509
    from rfc3161_client import PKIStatus, decode_timestamp_response

    try:
        response = decode_timestamp_response(_in_order(answer))
        if response.status != PKIStatus.GRANTED:
            raise UsageError(f"the authority refused: {'; '.join(response.status_string) or response.status}")
        info = response.tst_info
        (signer,) = response.signed_data.signer_infos
        names = [
            certificate.subject.rfc4514_string()
            for certificate in map(x509.load_der_x509_certificate, response.signed_data.certificates)
            if certificate.serial_number == signer.serial_number
        ]
        moment = round(info.gen_time.timestamp() * 1e6) * 1000
        return TimeStamp(
            info.message_imprint.message.hex(),
            rfc3339(moment),
            (names or [signer.issuer.rfc4514_string()])[0],
            answer,
        )
    except UsageError:
        raise
    except Exception as error:  # noqa: BLE001 - the library raises its own and Rust's errors
        raise UsageError(
            f"this is not an answer of a time-stamping authority: {error}", hint="a .tsr file, binary"
        ) from None


def _in_order(answer: bytes) -> bytes:
    """Return an answer with its certificates sorted as DER requires: some authorities don't sort them.

    No signature covers their order, and no length changes.
    """
    try:
        token = _parts(answer, *_parts(answer, 0, len(answer))[0][1:])[1]  # after the status
        content = _parts(answer, *token[1:])[1]  # after the object identifier
        signed = _parts(answer, *content[1:])[0]
        found = next(part for part in _parts(answer, *signed[1:]) if answer[part[0]] == 0xA0)
        pieces = [answer[start:end] for start, _, end in _parts(answer, *found[1:])]
        return answer[: found[1]] + b"".join(sorted(pieces)) + answer[found[2] :]
    except (IndexError, StopIteration):
        return answer  # the library will report what is wrong with it


def _parts(data: bytes, at: int, end: int) -> list[tuple[int, int, int]]:
    """Parts of a constructed value: where each begins, where its content begins, where it ends."""
    found = []
    while at < end:
        length, content = data[at + 1], at + 2
        if length > 0x80:
            content += length - 0x80
            length = int.from_bytes(data[at + 2 : content], "big")
        found.append((at, content, content + length))
        at = content + length
    return found


def stamp_fault(stamp: TimeStamp, roots: list[Certificate]) -> str:
    """Say why these root certificates don't confirm a time stamp; ``""`` if they do."""
    from rfc3161_client import VerifierBuilder, decode_timestamp_response

    try:
        verifier = VerifierBuilder(roots=roots).build()
        verifier.verify(decode_timestamp_response(_in_order(stamp.answer)), bytes.fromhex(stamp.digest))
    except Exception as error:  # noqa: BLE001 - as above
        return str(error) or type(error).__name__
    return ""


def read_roots(path: Path) -> list[Certificate]:
    """Read root certificates from a PEM file; `UsageError` if there is none in it."""
    from cryptography import x509

    try:
        found = x509.load_pem_x509_certificates(read_bounded(path, 10_000_000))
    except (OSError, ValueError) as error:
        raise UsageError(
            f"{path} holds no root certificates: {error}", hint="a PEM file, as the authority publishes it"
        ) from None
    return list(found)


def system_roots() -> list[Certificate]:
    """Root certificates that this system trusts."""
    import ssl

    from cryptography import x509

    found = []
    for der in ssl.create_default_context().get_ca_certs(binary_form=True):
        # Old ones, which the library warns about or refuses.
        with warnings.catch_warnings(action="ignore"), suppress(ValueError):
            found.append(x509.load_der_x509_certificate(der))
    return found
