"""A certificate authority for tests, by the openssl command: keys and certificates of any age."""

import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path


class Authority:
    """An authority in a folder of its own; ``ca`` is its certificate (PEM), ``der`` the same in DER."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self.ca, self.der, self._key = folder / "ca.pem", folder / "ca.der", folder / "ca.key"
        self._openssl("req", "-x509", *_KEY, "-keyout", self._key, "-out", self.ca, "-days", "30", *_TESTS)
        self._openssl("x509", "-in", self.ca, "-outform", "DER", "-out", self.der)

    def server(self, *names: str, days: int = 10, begin: int = 0) -> tuple[Path, Path]:
        """(certificate, key) of a server of these names (``DNS:a.test``, ``IP:127.0.0.1``).

        ``days`` from now until it runs out, -1: it has; ``begin`` days from now until it is good.
        """
        stem = self._folder / f"server{len(list(self._folder.glob('*.csr')))}"
        certificate, key, request = (stem.with_suffix(s) for s in (".pem", ".key", ".csr"))
        self._openssl("req", *_KEY, "-keyout", key, "-out", request, "-subj", "/CN=server")
        extension = stem.with_suffix(".ext")
        extension.write_text("subjectAltName=" + ",".join(names))
        # Dates, and not -days: openssl 3.5 (Debian 13) makes no certificate that has run out by a number of days.
        now = datetime.now(UTC)
        first, last = (f"{now + timedelta(days=d):%Y%m%d%H%M%SZ}" for d in (min(begin, days - 1), days))
        self._openssl(
            "ca", "-batch", "-notext", "-config", self._book(), "-startdate", first, "-enddate", last,
            "-in", request, "-extfile", extension, "-out", certificate,
        )
        return certificate, key

    def _book(self) -> Path:
        """What ``openssl ca`` wants beside the key: a list of what was signed, and what a name needs."""
        book, told = self._folder / "book", self._folder / "ca.cnf"
        book.touch()
        told.write_text(
            f"[ca]\ndefault_ca = tests\n[tests]\ndatabase = {book}\nnew_certs_dir = {self._folder}\n"
            f"certificate = {self.ca}\nprivate_key = {self._key}\nrand_serial = yes\ndefault_md = sha256\n"
            "unique_subject = no\npolicy = any\n[any]\ncommonName = supplied\n"
        )
        return told

    def _openssl(self, *arguments: object) -> None:
        subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True)


_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
_TESTS = ("-subj", "/CN=of tests")
