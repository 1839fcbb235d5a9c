"""What holds for all tests: one thread a process computes, and a busy machine is no defect."""

import os

from hypothesis import HealthCheck, settings

# The matrices here are small: more threads only wait for each other, and for the processors that other tests use. An
# evaluation's own process does the same.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "BLIS_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # before numpy is imported, which reads them once

os.environ.pop("COLUMNS", None)  # what is printed must not hang on the terminal of whoever tests

settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")
