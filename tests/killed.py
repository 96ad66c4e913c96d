"""Work in a process of its own that tells what it has done, and is killed at some moment."""

import contextlib
import os
import random
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator

Tell = Callable[[str], None]


@contextlib.contextmanager
def child(work: Callable[[Tell], None]) -> Iterator[tuple[int, int]]:
    """Run work in a process of its own; it tells what it has done through a pipe, whose end is given."""
    ours, theirs = os.pipe()
    sys.stdout.flush()
    number = os.fork()
    if number == 0:
        code = 1
        try:
            os.close(ours)
            work(lambda text: os.write(theirs, f"{text}\n".encode()) and None)
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    os.close(theirs)
    try:
        yield number, ours
    finally:
        os.close(ours)


def told(pipe: int, content: bytes = b"") -> list[str]:
    """What the child said until its end."""
    while chunk := os.read(pipe, 65536):
        content += chunk
    return [line for line in content.decode().split("\n")[:-1] if line]


def killed(work, dice: random.Random) -> list[str]:
    """Run work, kill it at some moment, and return what it had acknowledged by then."""
    with child(work) as (number, pipe):
        first = os.read(pipe, 65536)  # it is at work by then
        time.sleep(dice.uniform(0.0, 0.3))
        os.kill(number, signal.SIGKILL)
        lines = told(pipe, first)
        os.waitpid(number, 0)
    return lines
