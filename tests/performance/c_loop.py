"""The yardstick for the tick: a C loop on clock_nanosleep with absolute deadlines, compiled on the spot.

    python tests/performance/c_loop.py --rate 200 --seconds 20

Prints one line of JSON: periods slept, deadlines missed, and the lateness in microseconds at some quantiles. What the
machine itself does to a sleeper shows here; nobody can be more punctual than this loop beside him in the same run.
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

SOURCE = r"""
#define _GNU_SOURCE
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static long long now_ns(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static int by_size(const void *a, const void *b) {
    long long x = *(const long long *)a, y = *(const long long *)b;
    return (x > y) - (x < y);
}

int main(int argc, char **argv) {
    if (argc != 3) return 64;
    long long period_ns = (long long)(1e9 / atof(argv[1]) + 0.5);
    long count = (long)(atof(argv[1]) * atof(argv[2])), taken = 0, missed = 0;
    long long *late_ns = malloc(count * sizeof *late_ns);
    if (count < 1 || !late_ns) return 70;
    long long first_ns = now_ns() + period_ns;
    for (long index = 0; index < count; index++) {
        long long due_ns = first_ns + index * period_ns;
        struct timespec due = {due_ns / 1000000000LL, due_ns % 1000000000LL};
        while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, NULL) == EINTR) {}
        long long late = now_ns() - due_ns;
        long over = (long)(late / period_ns); /* deadlines that passed as well while this one was slept for */
        missed += over;
        index += over;
        late_ns[taken++] = late - over * period_ns;
    }
    qsort(late_ns, taken, sizeof *late_ns, by_size);
    printf("{\"periods\": %ld, \"missed\": %ld, \"median_us\": %.1f, \"p90_us\": %.1f, \"p99_us\": %.1f, "
           "\"largest_us\": %.1f}\n",
           taken, missed, late_ns[taken / 2] / 1e3, late_ns[taken * 9 / 10] / 1e3, late_ns[taken * 99 / 100] / 1e3,
           late_ns[taken - 1] / 1e3);
    free(late_ns);
    return 0;
}
"""


def build(folder: Path) -> Path:
    """The compiled loop in `folder`. Raises `FileNotFoundError` without a C compiler."""
    compiler = shutil.which("cc")
    if compiler is None:
        raise FileNotFoundError("there is no C compiler: install one that answers to cc (apt install gcc libc6-dev)")
    source, program = folder / "c_loop.c", folder / "c_loop"
    source.write_text(SOURCE)
    subprocess.run([compiler, "-O2", "-Wall", "-Werror", "-o", program, source], check=True)
    return program


def command(program: Path, *, rate_hz: float, seconds: float) -> list[str]:
    """How to start the compiled loop."""
    return [str(program), str(rate_hz), str(seconds)]


def main() -> int:
    """Compile, run, print."""
    parser = argparse.ArgumentParser(description="lateness of an absolute clock_nanosleep loop in C")
    parser.add_argument("--rate", type=float, default=200.0, help="Hz")
    parser.add_argument("--seconds", type=float, default=20.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        program = build(Path(folder))
        return subprocess.run(command(program, rate_hz=asked.rate, seconds=asked.seconds), check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
