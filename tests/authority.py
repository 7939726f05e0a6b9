"""A certificate authority for tests, by the openssl command: keys and certificates of any age."""

import subprocess
from pathlib import Path


class Authority:
    """An authority in a folder of its own; ``ca`` is its certificate (PEM), ``der`` the same in DER."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self.ca, self.der, self._key = folder / "ca.pem", folder / "ca.der", folder / "ca.key"
        self._openssl("req", "-x509", *_KEY, "-keyout", self._key, "-out", self.ca, "-days", "30", *_TESTS)
        self._openssl("x509", "-in", self.ca, "-outform", "DER", "-out", self.der)

    def server(self, *names: str, days: int = 10) -> tuple[Path, Path]:
        """(certificate, key) of a server of these names (``DNS:a.test``, ``IP:127.0.0.1``); ``days`` -1: run out."""
        stem = self._folder / f"server{len(list(self._folder.glob('*.csr')))}"
        certificate, key, request = (stem.with_suffix(s) for s in (".pem", ".key", ".csr"))
        self._openssl("req", *_KEY, "-keyout", key, "-out", request, "-subj", "/CN=server")
        extension = stem.with_suffix(".ext")
        extension.write_text("subjectAltName=" + ",".join(names))
        self._openssl(
            "x509", "-req", "-in", request, "-CA", self.ca, "-CAkey", self._key, "-CAcreateserial", "-days", str(days),
            "-extfile", extension, "-out", certificate,
        )
        return certificate, key

    def _openssl(self, *arguments: object) -> None:
        subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True)


_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
_TESTS = ("-subj", "/CN=of tests")
