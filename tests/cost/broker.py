"""Readings per second through a real mosquitto: 16 floats send to it as fast as it acknowledges, the built
daemon fetches from it with QoS 1; the clock stops when the last reading is committed and counted.

    python3 tests/cost/broker.py MESSAGES [BARE]

BARE: what criterion kept of the bare loop, 4,096 messages an iteration, to stand beside it."""

import json
import pathlib
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time

from cellar import Daemon, fill, free_port

FLOATS = 16
WINDOW = 20


def connected(port, name):
    connection = socket.create_connection(("127.0.0.1", port))
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    body = b"\x00\x04MQTT\x04\x02\x00\x00" + len(name).to_bytes(2, "big") + name
    connection.sendall(b"\x10" + bytes([len(body)]) + body)
    assert connection.recv(4) == b"\x20\x02\x00\x00", "no CONNACK"
    return connection


def send(port, number, count):
    connection = connected(port, b"float-%d" % number)
    topic, open_ = b"float/%d" % number, 0
    pending = b""

    def one():
        nonlocal pending
        while len(pending) < 4:
            pending += connection.recv(4096)
        pending = pending[4:]

    for n in range(count):
        if open_ == WINDOW:
            one()
            open_ -= 1
        payload = b'{"gravity": 1.0%03d, "temperature": 18.%02d}' % (n % 90 + 10, n % 100)
        body = len(topic).to_bytes(2, "big") + topic + (n % 65_000 + 1).to_bytes(2, "big") + payload
        connection.sendall(b"\x32" + bytes([len(body)]) + body)
        open_ += 1
    for _ in range(open_):
        one()
    connection.close()


def counted(daemon):
    lines = daemon.get("/metrics").decode().splitlines()
    ours = (line for line in lines if line.startswith("ebbmark_readings_total{") and 'source="house"' in line)
    return sum(float(line.rsplit(" ", 1)[1]) for line in ours)


def main():
    messages = int(sys.argv[1])
    folder = pathlib.Path(tempfile.mkdtemp(prefix="ebbmark-broker-", dir="/var/tmp"))
    mosquitto = None
    try:
        port = free_port()
        (folder / "mosquitto.conf").write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 0\n"
        )
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        mosquitto = subprocess.Popen([program, "-c", folder / "mosquitto.conf"], stderr=subprocess.DEVNULL)
        fill(folder / "data", FLOATS, 1, 15, "house")
        settings = f'[[broker]]\nname = "house"\nhost = "127.0.0.1"\nport = {port}\ntopics = ["float/#"]\n'
        daemon = Daemon(folder / "data", settings)
        time.sleep(3)
        each = messages // FLOATS
        threads = [threading.Thread(target=send, args=(port, n, each)) for n in range(FLOATS)]
        began = time.monotonic()
        for thread in threads:
            thread.start()
        while (have := counted(daemon)) < each * FLOATS:
            time.sleep(0.05)
            if time.monotonic() - began > 300:
                raise SystemExit(f"{have:,.0f} of {each * FLOATS:,} arrived in 300 s")
        took = time.monotonic() - began
        rate = each * FLOATS / took
        beside = ""
        if len(sys.argv) > 2:
            estimates = json.loads(pathlib.Path(sys.argv[2], "new/estimates.json").read_text())
            bare = 4096e9 / estimates["median"]["point_estimate"]
            beside = f": {rate / bare:.2f} of the bare loop"
        print(
            f"Through a mosquitto of its own machine, {FLOATS} floats that send as fast as it acknowledges, "
            f"{each * FLOATS:,} readings: {rate:,.0f} a second committed{beside}."
        )
        daemon.stop()
    finally:
        if mosquitto:
            mosquitto.terminate()
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
