"""Writes logbook entries until it is killed; prints each number once its entry is on the disk.

Run as ``python interrupted_writer.py FILE TRIES SEED``: each try is a child of its own, killed
without warning at a random moment. Prints one line a try: the numbers it acknowledged.
"""

import os
import random
import signal
import sys
import time
from pathlib import Path

from slowglass.learn.logbook.records import LoggedFrame, LoggedNote, Night
from slowglass.learn.logbook.store import open_logbook


def write_for_ever(path: Path, first: int, told: int) -> None:
    with open_logbook(path) as logbook:
        night = logbook.night(Night("2026-01-01", "Fig Tree Yard", "long 102"))
        number = first
        while True:
            frames = [
                LoggedFrame(f"{number}-{part}", f"{number}-{part}.fits", verdict={"x": "y" * 500})
                for part in range(3)
            ]
            logbook.log_frames(night, frames)
            logbook.add(LoggedNote(str(number), night_id=night))
            os.write(told, b"%d\n" % number)
            number += 1


def main(path: Path, tries: int, seed: int) -> None:
    dice = random.Random(seed)
    for number in range(tries):
        heard, told = os.pipe()
        child = os.fork()
        if child == 0:
            write_for_ever(path, number * 100_000, told)
        os.close(told)
        if dice.random() < 0.9:
            # Most are killed while they write, some while they open.
            first = os.read(heard, 16)
            time.sleep(dice.uniform(0.0, 0.012))
        else:
            first = b""
            time.sleep(dice.uniform(0.0, 0.02))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        rest = b""
        while piece := os.read(heard, 1 << 16):
            rest += piece
        os.close(heard)
        print(" ".join((first + rest).decode().split()), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
