"""The solver as every roster model uses it: one worker, a fixed seed, strong linear relaxations."""

from __future__ import annotations

from importlib import import_module
from math import inf
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import CpModel, CpSolver


def load() -> None:
    """Load the solver, which takes about a second once in a process, before a clock is started."""
    import_module("ortools.sat.python.cp_model")


def solver(*, seconds: float, seed: int = 1, work: float = inf) -> CpSolver:
    """A solver that stops after ``seconds`` of the clock or so much ``work`` in its own, repeatable measure.

    One worker leaves the other cores to the pages and gives the same answer to the same question unless the
    clock ends it. Linear relaxations at level 2 carry most of the proofs here: rosters are nearly networks.
    """
    from ortools.sat.python.cp_model import CpSolver

    solver = CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    solver.parameters.linearization_level = 2
    if seconds < inf:
        solver.parameters.max_time_in_seconds = max(0.001, seconds)
    if work < inf:
        solver.parameters.max_deterministic_time = work
    return solver


def solves(solver: CpSolver, model: CpModel) -> bool | None:
    """Whether the solver found values, the best or just some; None where the clock ended it without an answer."""
    from ortools.sat.python.cp_model import FEASIBLE, INFEASIBLE, OPTIMAL

    status = solver.solve(model)
    return True if status in (OPTIMAL, FEASIBLE) else False if status == INFEASIBLE else None


def has_answer(model: CpModel, *, seconds: float, work: float = inf) -> bool | None:
    """Whether a small model has any values; None where clock or ``work`` ended it. Little time goes into presolve."""
    quick = solver(seconds=seconds, work=work)
    quick.parameters.symmetry_level = 0
    quick.parameters.cp_model_probing_level = 0
    return solves(quick, model)
