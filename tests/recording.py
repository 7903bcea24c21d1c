"""Run as a program by test_logbook: records until done or killed, and reports what was acknowledged."""

import datetime as dt
import os
import random
import signal
import sys
import time
import uuid

import numpy as np

from toothcheck.logbook import Logbook
from toothcheck.logbook.demo import made_document

DAY = "2026-01-05"


def opened(where):
    return Logbook(where, now=lambda: dt.datetime.now().astimezone(), new_uid=lambda: uuid.uuid4().hex, create=True)


def document():
    """Of a photo of its own."""
    made = made_document(
        np.random.default_rng(5), chain_name="520", teeth=15, position="front", asymmetry=4.0, std=0.6, name="a.jpg"
    )
    made["photo"]["sha256"] = uuid.uuid4().hex * 2
    return made


def ready(logbook, machine):
    """The machine with a front sprocket, added once."""

    def make(state):
        if machine in state.machines:
            return []
        return [
            logbook.new("machine", on_date=DAY, machine=machine, distance_km=0.0),
            logbook.new("part", on_date=DAY, part=f"{machine} front", position="front", ridden_km=0.0),
            logbook.new(
                "fit", on_date=DAY, machine=machine, part=f"{machine} front", position="front", distance_km=0.0
            ),
        ]

    logbook.build(make)


def steadily(where, machine, count):
    logbook = opened(where)
    ready(logbook, machine)
    for i in range(count):
        e = logbook.record(document(), machine, 10.0 * i, on_date=DAY)[-1]
        sys.stdout.write(f"{e.uid}\n")


def killed(where, rounds, seed):
    """Fork, record in the child, kill it at a random moment, and look after each kill for all that was acknowledged."""
    dice = random.Random(seed)
    acknowledged = set()
    cut_short = 0
    for _ in range(rounds):
        out, into = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                os.close(out)
                logbook = opened(where)
                ready(logbook, "KC-01")
                while True:
                    os.write(into, b"?" * 32 + b"\n")  # about to record
                    e = logbook.record(document(), "KC-01", 100.0)[-1]
                    os.write(into, e.uid.encode() + b"\n")
            except BaseException as error:
                os.write(into, f"failed: {error!r}\n".encode())
            finally:
                os._exit(1)
        os.close(into)
        said = b""
        if dice.random() < 0.2:
            time.sleep(dice.uniform(0.0, 0.05))  # while it opens, or makes, the logbook
        else:  # after a few entries, somewhere in the next one, however busy this machine is
            wanted = 2 * dice.randrange(4) + 1
            marks = []
            while said.count(b"\n") < wanted and (more := os.read(out, 65536)):
                said += more
                marks.append(time.monotonic())
            usual = marks[-1] - marks[-2] if len(marks) > 1 else 0.01
            time.sleep(dice.uniform(0.0, 1.2) * usual)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(out, "rb") as pipe:
            said = (said + pipe.read()).decode().split("\n")
        if any(line.startswith("failed") for line in said):
            sys.exit("; ".join(line for line in said if line.startswith("failed")))
        acknowledged |= {line for line in said if line and line[0] != "?"}
        cut_short += len(said) > 1 and said[-2][0] == "?"
        logbook = opened(where)
        there = {e.uid for e in logbook.entries()}
        logbook.history()
        logbook.close()
        if not acknowledged <= there:
            sys.exit(f"lost {len(acknowledged - there)} acknowledged entries")
    sys.stdout.write(f"{rounds} {len(acknowledged)} {cut_short}\n")


if __name__ == "__main__":
    if sys.argv[1] == "steadily":
        steadily(sys.argv[2], sys.argv[3], int(sys.argv[4]))
    else:
        killed(sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
