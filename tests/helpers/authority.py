"""A time-stamping authority made with openssl: root, certificate, answers by file and over HTTP."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

_CONFIG = """
[tsa]
serial = {folder}/serial
crypto_device = builtin
signer_cert = {folder}/tsa.pem
certs = {folder}/root.pem
signer_key = {folder}/tsa.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
accuracy = secs:1
ess_cert_id_alg = sha256
"""
_EXTENSIONS = """
basicConstraints = critical,CA:FALSE
keyUsage = critical,digitalSignature
extendedKeyUsage = critical,timeStamping
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
"""


class Authority:
    """An authority of that name in a folder of its own."""

    def __init__(self, folder: Path, name: str = "Test Authority") -> None:
        folder.mkdir(parents=True)
        self.folder, self.roots = folder, folder / "root.pem"
        (folder / "serial").write_text("01\n")
        (folder / "tsa.cnf").write_text(_CONFIG.format(folder=folder))
        (folder / "ext.cnf").write_text(_EXTENSIONS)
        self._openssl(
            *("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "3650"),
            *("-keyout", "root.key", "-out", "root.pem", "-subj", f"/CN={name} Root"),
            *("-addext", "keyUsage=critical,keyCertSign,cRLSign"),
        )
        self._openssl(
            *("req", "-new", "-newkey", "rsa:2048", "-nodes"),
            *("-keyout", "tsa.key", "-out", "tsa.csr", "-subj", f"/CN={name}"),
        )
        self._openssl(
            *("x509", "-req", "-in", "tsa.csr", "-CA", "root.pem", "-CAkey", "root.key", "-CAcreateserial"),
            *("-out", "tsa.pem", "-days", "3650", "-extfile", "ext.cnf"),
        )

    def _openssl(self, *words: str) -> None:
        subprocess.run(["openssl", *words], cwd=self.folder, check=True, capture_output=True)

    def answer(self, request: bytes) -> bytes:
        """Answer a request."""
        (self.folder / "request.tsq").write_bytes(request)
        words = ["-queryfile", "request.tsq", "-config", "tsa.cnf", "-section", "tsa", "-out", "answer.tsr"]
        self._openssl("ts", "-reply", *words)
        return (self.folder / "answer.tsr").read_bytes()

    @contextmanager
    def serving(self) -> Iterator[str]:
        """Serve answers; yields the address."""
        authority = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                answer = authority.answer(self.rfile.read(int(self.headers["Content-Length"])))
                self.send_response(200)
                self.send_header("Content-Type", "application/timestamp-reply")
                self.end_headers()
                self.wfile.write(answer)

            def log_message(self, *args: object) -> None:
                """Say nothing."""

        with HTTPServer(("127.0.0.1", 0), Handler) as server:
            thread = threading.Thread(target=server.serve_forever)
            thread.start()
            try:
                yield f"http://127.0.0.1:{server.server_port}/tsr"
            finally:
                server.shutdown()
                thread.join()
