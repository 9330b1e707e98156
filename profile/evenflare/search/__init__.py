"""The search: candidates from every family that takes part, judged, kept on disk, and the best of them.

The same target, seed and version ask for the same candidates in the same order, whatever the number of workers and
however often the run was stopped and continued.
"""

from evenflare.search.agreement import RankAgreement
from evenflare.search.cluster import check_cluster, connected
from evenflare.search.front import ParetoFront, front_of
from evenflare.search.judging import factory_for, ranking_words
from evenflare.search.loop import run_search
from evenflare.search.progress import Progress
from evenflare.search.request import check_search
from evenflare.search.result import SearchResult, StoppedBy, Winner
from evenflare.search.store import ROW, Standing, glimpse, history_rows, jobs, nearest, run_facts
from evenflare.search.worker import SolverFactory, waveguide_of

__all__ = [
    "ROW",
    "ParetoFront",
    "Progress",
    "RankAgreement",
    "SearchResult",
    "SolverFactory",
    "Standing",
    "StoppedBy",
    "Winner",
    "check_cluster",
    "check_search",
    "connected",
    "factory_for",
    "front_of",
    "glimpse",
    "history_rows",
    "jobs",
    "nearest",
    "ranking_words",
    "run_facts",
    "run_search",
    "waveguide_of",
]
