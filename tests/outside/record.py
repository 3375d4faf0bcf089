"""Sends real logs through UDP to the program and compares its legs with those of the imported file."""

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time

PROGRAM, LOGS = os.path.abspath(sys.argv[1]), sys.argv[2]
# Lines a second: thousands of times as fast as they were written.
RATE = 4000.0


def run(home, *args):
    done = subprocess.run(
        [PROGRAM, "--home", home, "--json", *args], capture_output=True, text=True, check=False
    )
    if done.returncode not in (0, 1) or not done.stdout:
        raise RuntimeError(f"{args}: {done.returncode} {done.stderr}")
    return json.loads(done.stdout)


def events(child, name):
    for line in child.stdout:
        event = json.loads(line)
        if event["event"] == name:
            yield event
    raise RuntimeError(f"{name} did not come")


def recorded(home, log):
    """What is said at the end of a recording of the log's lines, each a datagram."""
    child = subprocess.Popen(
        [PROGRAM, "--home", home, "--json", "record", "--from", "udp:127.0.0.1:0", "--boat", "Heron"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    host, port = next(events(child, "up"))["words"].split()[-1].rsplit(":", 1)
    out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    begun, sent = time.monotonic(), 0
    for i, line in enumerate(log.splitlines(keepends=True)):
        out.sendto(line, (host, int(port)))
        sent += len(line) + (0 if line.endswith((b"\n", b"\r")) else 1)
        if i % 40 == 0:
            time.sleep(max(0.0, begun + i / RATE - time.monotonic()))
    for status in events(child, "status"):
        if status["bytes"] >= sent:
            break
    child.send_signal(signal.SIGINT)
    ended = next(events(child, "ended"))
    child.wait()
    return ended


def compare(name):
    path = os.path.join(LOGS, name)
    with open(path, "rb") as f:
        log = f.read()
    # `splitlines` of bytes cuts at LF, CR and CRLF, as the program does.
    with tempfile.TemporaryDirectory() as both, tempfile.TemporaryDirectory() as alone:
        for home in (both, alone):
            run(home, "survey", "new", "Testmere", "--datum", "zero")
        ended = recorded(both, log)
        again = run(both, "import", path, "--boat", "Heron")["files"][0]
        alone_file = run(alone, "import", path, "--boat", "Heron")["files"][0]
        live, file = run(both, "status"), run(alone, "status")
        facts = (
            f"{ended['soundings']} soundings in {ended['legs']} legs; as a file {alone_file['soundings']}"
            f" in {alone_file['legs']}, of which {again['known']} were known"
        )
        same = (
            again["known"] == again["legs"] == alone_file["legs"]
            and ended["soundings"] == alone_file["soundings"]
            and live["soundings"] == file["soundings"]
        )
        print(f"{'ok' if same else 'not ok'} record-{name}{'' if same else ': ' + facts}", flush=True)
        print(f"   {name}: {facts}", flush=True)


for log_name in ("lake.nmea", "river.nmea", "moored.nmea", "bus.can"):
    try:
        compare(log_name)
    except (RuntimeError, OSError, KeyError, ValueError) as e:
        print(f"not ok record-{log_name}: {e}", flush=True)
