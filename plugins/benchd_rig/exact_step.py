"""The exact step of a linear system whose inputs are held: state, and the integrals of chosen states, after a time.

x' = A·x + B·u with constant u has x(h) = Φ·x(0) + Γ·u. Both, and the integral of x over the step, stand in one matrix
exponential (C. F. Van Loan, "Computing integrals involving the matrix exponential", 1978). Nothing here knows a motor.
"""

import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]


def exponential(matrix: Matrix) -> Matrix:
    """Return e to the power of a small square matrix, by scaling, a Taylor series and squaring."""
    norm = float(np.abs(matrix).sum(axis=1).max())
    squarings = max(0, int(np.ceil(np.log2(norm))) + 2) if norm > 0.0 else 0
    scaled = matrix / 2.0**squarings
    term = np.eye(len(matrix))
    # The identity is kept apart while squaring, (1+E)² = 1+2E+E²: small entries then keep their digits.
    excess = np.zeros_like(term)
    for order in range(1, 16):
        term = term @ scaled / order
        excess += term
    for _ in range(squarings):
        excess = 2.0 * excess + excess @ excess
    result: Matrix = np.eye(len(matrix)) + excess
    return result


def held_input_step(
    state_matrix: Matrix, input_matrix: Matrix, *, integrals_of: tuple[int, ...], step_s: float
) -> Matrix:
    """Rows: each state after `step_s`, then the integral of each chosen state over it; columns: states, then inputs."""
    states, inputs = input_matrix.shape
    size = states + inputs
    whole = np.zeros((size + len(integrals_of), size + len(integrals_of)))
    whole[:states, :states] = state_matrix
    whole[:states, states:size] = input_matrix
    for row, state in enumerate(integrals_of):
        whole[size + row, state] = 1.0
    result = exponential(whole * step_s)
    rows = [*range(states), *range(size, size + len(integrals_of))]
    return result[rows, :size]
