"""Two front ends over one PostgreSQL behind the proxy that `busbay bay --proxy-example` configures.

Three students by default; `BUSBAY_BEHIND_PROXY=60` makes it a large class.
"""

import os
import random
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from websockets.exceptions import WebSocketException

from sim import cli
from sim.training.records import RECORDS_VARIABLE, Records
from tests.benchmarks.class_load import Class
from tests.training.conftest import postgresql, postgresql_database, url  # noqa: F401
from tests.ui.browser import free_port, server
from tests.ui.visitor import Visitor

STUDENTS = int(os.environ.get("BUSBAY_BEHIND_PROXY", "3"))
PATIENCE_S = 90.0
BACK_WITHIN_S = 5.0  # asked of a quiet machine, where the whole class is asked for
WAITS = {"wait 1": "wait 1 s", "wait 10": "wait 10 s"}


@pytest.fixture
def haproxy() -> str:
    """The proxy's program."""
    found = shutil.which("haproxy") or shutil.which("haproxy", path="/usr/sbin")
    if found is None:
        pytest.skip("the program haproxy is not installed on this machine")
    return found


def certificate(folder: Path) -> Path:
    """A key and a certificate of this test's own for 127.0.0.1, in one file."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "a school")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(1).not_valid_before(now - timedelta(days=1)).not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), False)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    pem = serialization.Encoding.PEM
    private = key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    file = folder / "busbay.pem"
    file.write_bytes(made.public_bytes(pem) + private)
    return file


def configuration(folder: Path, capsys: pytest.CaptureFixture[str], ports: tuple[int, int, int]) -> Path:
    """What the command prints, with ports of this test's own."""
    assert 0 == cli.main(["bay", "--proxy-example"])
    text = capsys.readouterr().out
    served, one, other = ports
    for printed, ours in (
        ("bind :443", f"bind 127.0.0.1:{served}"),
        ("127.0.0.1:8501", f"127.0.0.1:{one}"),
        ("127.0.0.1:8502", f"127.0.0.1:{other}"),
        ("/etc/haproxy/busbay.pem", str(certificate(folder))),
    ):
        assert printed in text
        text = text.replace(printed, ours)
    file = folder / "haproxy.cfg"
    file.write_text(text, encoding="utf-8")
    return file


@contextmanager
def proxy(program: str, file: Path) -> Iterator[None]:
    """The proxy, until the block ends."""
    with subprocess.Popen([program, "-db", "-f", str(file)], stderr=subprocess.DEVNULL) as process:
        yield
        process.terminate()


class Student(threading.Thread):
    """Works until told to stop; comes in again where the line is cut. `back_s`: how long that took."""

    def __init__(self, enter: Callable[[], Visitor], dice: random.Random) -> None:
        super().__init__()
        self.sent: list[str] = []
        self.shown = 0
        self.back_s = 0.0
        self.problem = ""
        self.ends = threading.Event()
        self._enter, self._dice = enter, dice

    def run(self) -> None:
        try:
            visitor = self._in()
            while not self.ends.wait(0.2):
                kind = self._dice.choice(list(WAITS))
                self.sent.append(WAITS[kind])
                try:
                    visitor.press(kind)
                except (OSError, EOFError, WebSocketException):
                    begun_s = time.monotonic()
                    visitor = self._in()
                    self.back_s = time.monotonic() - begun_s
                    continue
                self.shown += 1
                assert [] == visitor.exceptions
            visitor.close()
        except Exception as error:
            self.problem = f"{type(error).__name__}: {error}"

    def _in(self) -> Visitor:
        last_s = time.monotonic() + PATIENCE_S
        while True:
            try:
                return self._enter().__enter__()
            except (OSError, EOFError, WebSocketException):
                if time.monotonic() > last_s:
                    raise
                time.sleep(0.2)


def test_the_printed_configuration_is_one(
    haproxy: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The proxy's own check finds nothing wrong, not even a warning."""
    file = configuration(tmp_path, capsys, (free_port(), free_port(), free_port()))
    done = subprocess.run([haproxy, "-c", "-f", str(file)], capture_output=True, text=True, check=False)
    assert (0, []) == (done.returncode, [x for x in done.stderr.splitlines() if "WARN" in x or "ALERT" in x])


@pytest.mark.parametrize("url", ["postgresql"], indirect=True)
def test_a_front_end_is_killed_and_the_class_goes_on(
    url: str,  # noqa: F811
    haproxy: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """All come back through the proxy, nothing that was shown is lost, and the instructor reaches all."""
    records = Records(url)
    group = Class.of(records, STUDENTS, "02")
    task = records.assignments.of_class(1)[0]
    works = [records.attempts.begin(task, one.id).id for one in records.students.of_class(1)]
    ports = free_port(), free_port(), free_port()
    file = configuration(tmp_path, capsys, ports)
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "busbay.pem"))
    address = f"https://127.0.0.1:{ports[0]}"
    with ExitStack() as stack:
        home = {RECORDS_VARIABLE: url, "XDG_DATA_HOME": str(tmp_path)}
        front_ends = [stack.enter_context(server(port, **home)) for port in ports[1:]]
        stack.enter_context(proxy(haproxy, file))
        students = [
            Student(lambda number=number: group.enter(address, number), random.Random(number))  # type: ignore[misc]
            for number in range(STUDENTS)
        ]
        for student in students:
            student.start()
        until(lambda: all(student.shown > 1 or student.problem for student in students))
        os.kill(front_ends[0].pid, signal.SIGKILL)
        before = [student.shown for student in students]
        until(lambda: all(s.shown > n + 1 or s.problem for s, n in zip(students, before, strict=True)))
        for student in students:
            student.ends.set()
        for student in students:
            student.join()
        assert [] == [student.problem for student in students if student.problem]
        records.notices.tell(1, "Hands off, please.")
        for number in range(STUDENTS):
            with group.enter(address, number) as visitor:
                assert "Hands off" in visitor.text
    assert any(student.back_s for student in students), "both front ends had students"
    if STUDENTS > 3:
        assert max(student.back_s for student in students) < BACK_WITHIN_S
    for student, work in zip(students, works, strict=True):
        log = records.attempts.resume(work).attempt.log
        assert student.shown <= len(log) <= student.shown + 1
        told = iter(student.sent)
        assert all(line in told for line in log), (
            "the log is what was sent, in order, without what was cut off"
        )
    records.close()


def until(condition: Callable[[], bool]) -> None:
    """Wait for something that comes."""
    last_s = time.monotonic() + 4 * PATIENCE_S
    while not condition():
        assert time.monotonic() < last_s
        time.sleep(0.1)
