"""The built daemon on a cellar of some size, watched from outside: what /proc says of it, how long its
pages take, how soon floats are acknowledged."""

import os
import pathlib
import shutil
import socket
import statistics
import subprocess
import threading
import time
import urllib.error
import urllib.request

ROOT = pathlib.Path(__file__).resolve().parents[2]
TARGET = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "release"
TICKS = os.sysconf("SC_CLK_TCK")


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def fill(folder, vessels, days, minutes, source="intake"):
    """Seconds it took."""
    shutil.rmtree(folder, ignore_errors=True)
    began = time.monotonic()
    command = [TARGET / "examples/fill_cellar", folder, vessels, days, minutes, source]
    subprocess.run([str(c) for c in command], check=True)
    return time.monotonic() - began


def size(folder):
    """Bytes of all that lies in a folder."""
    return sum(f.stat().st_size for f in pathlib.Path(folder).rglob("*") if f.is_file())


class Daemon:
    """`ebbmark run` on a data folder; `wrapper` goes before it and becomes it (env)."""

    def __init__(self, folder, settings="", wrapper=()):
        self.folder = pathlib.Path(folder)
        self.folder.mkdir(parents=True, exist_ok=True)
        self.page, self.intake = free_port(), free_port()
        config = self.folder / "measured.toml"
        config.write_text(
            f'data-folder = "{self.folder}"\nzone = "UTC"\n'
            f'[page]\nlisten = ["127.0.0.1:{self.page}"]\n'
            f'[intake]\nlisten = ["127.0.0.1:{self.intake}"]\n'
            "[intake.limits]\nmessages-per-second = 2000\n"
            "[backup]\noff = true\n" + settings
        )
        self.log = open(self.folder / "measured.log", "ab")
        command = [*wrapper, str(TARGET / "ebbmark"), "--config", str(config), "run"]
        began = time.monotonic()
        # As in deploy/ebbmark.service.
        environment = {**os.environ, "MALLOC_ARENA_MAX": "2"}
        self.process = subprocess.Popen(command, stdout=self.log, stderr=self.log, env=environment)
        self.wait_for_page()
        self.started_in = time.monotonic() - began
        self.pid = self.process.pid

    def wait_for_page(self):
        while True:
            if self.process.poll() is not None:
                raise SystemExit(f"the daemon ended; see {self.folder}/measured.log")
            try:
                self.get("/healthz")
                return
            except (urllib.error.URLError, ConnectionError):
                time.sleep(0.02)

    def get(self, path):
        with urllib.request.urlopen(f"http://127.0.0.1:{self.page}{path}", timeout=120) as answer:
            return answer.read()

    def page_ms(self, path, times=7):
        """Median ms and bytes."""
        took = []
        for _ in range(times):
            began = time.monotonic()
            body = self.get(path)
            took.append((time.monotonic() - began) * 1000)
        return statistics.median(took), len(body)

    def _status(self, name):
        for line in pathlib.Path(f"/proc/{self.pid}/status").read_text().splitlines():
            if line.startswith(name + ":"):
                return int(line.split()[1])
        raise KeyError(name)

    def memory_mb(self):
        return self._status("VmRSS") / 1024

    def peak_mb(self):
        return self._status("VmHWM") / 1024

    def cpu_seconds(self):
        # After the name in brackets: state, then fields from the fourth on (proc(5)).
        fields = pathlib.Path(f"/proc/{self.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / TICKS

    def written(self):
        for line in pathlib.Path(f"/proc/{self.pid}/io").read_text().splitlines():
            if line.startswith("write_bytes:"):
                return int(line.split()[1])
        raise KeyError("write_bytes")

    def open_files(self):
        return len(os.listdir(f"/proc/{self.pid}/fd"))

    def stop(self):
        os.kill(self.pid, 15)
        self.process.wait(60)
        self.log.close()


class Floats:
    """`floats` floats, each with a message every `every` seconds at an instant of its own, QoS 1, over a
    few connections; how long each acknowledgement took is kept."""

    CONNECTIONS = 20

    def __init__(self, port, floats, every=60.0):
        self.port, self.floats, self.every = port, floats, every
        self.stopped = threading.Event()
        self.took = []
        self.faults = []
        count = min(self.CONNECTIONS, floats)
        self.threads = [
            threading.Thread(target=self._run, args=(n, range(n, floats, count)), daemon=True) for n in range(count)
        ]
        for thread in self.threads:
            thread.start()

    def _run(self, number, floats):
        try:
            with socket.create_connection(("127.0.0.1", self.port)) as connection:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                name = f"measure-{number}".encode()
                body = b"\x00\x04MQTT\x04\x02\x00\x00" + len(name).to_bytes(2, "big") + name
                connection.sendall(b"\x10" + bytes([len(body)]) + body)
                assert connection.recv(4) == b"\x20\x02\x00\x00", "no CONNACK"
                self._send(connection, floats)
        except Exception as fault:  # noqa: BLE001 - told at the end
            self.faults.append(fault)

    def _send(self, connection, floats):
        began, packet, turn = time.monotonic(), 0, 0
        while True:
            for place, number in enumerate(floats):
                due = began + self.every * (turn + place / len(floats))
                if self.stopped.wait(max(0.0, due - time.monotonic())):
                    return
                packet = packet % 65_000 + 1
                gravity = 1.02 + 0.0001 * ((number * 7 + turn * 3) % 11)
                payload = b'{"gravity": %.4f, "temperature": %.2f}' % (gravity, 18 + 0.06 * (turn % 9))
                topic = f"float/{number}".encode()
                body = len(topic).to_bytes(2, "big") + topic + packet.to_bytes(2, "big") + payload
                sent = time.monotonic()
                connection.sendall(b"\x32" + bytes([len(body)]) + body)
                answer = b""
                while len(answer) < 4:
                    more = connection.recv(4 - len(answer))
                    assert more, "the connection ended"
                    answer += more
                assert answer == b"\x40\x02" + packet.to_bytes(2, "big"), answer
                self.took.append(time.monotonic() - sent)
            turn += 1

    def stop(self):
        self.stopped.set()
        for thread in self.threads:
            thread.join(30)
        if self.faults:
            raise SystemExit(f"a float failed: {self.faults[0]!r}")

    def acknowledged_ms(self):
        """Median and 99th percentile, ms."""
        cuts = statistics.quantiles(self.took, n=100)
        return statistics.median(self.took) * 1000, cuts[98] * 1000
