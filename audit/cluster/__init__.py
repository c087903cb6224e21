"""Frames measured by other computers that see the same files.

A scheduler of dask (extra ``cluster``) hands the frames to its workers. On each of them the same
supervised processes of `audit.workers` do the same job as in a local run, so a file that kills its
process costs its own frame there, too. Pixels stay where they are measured; the reading travels.

- `messages`: what travels
- `site`: where a worker of dask takes a frame and gives an answer
- `client`: who sends frames out and takes answers in
"""

from audit.cluster.client import checked_address, run_on_cluster

__all__ = ["checked_address", "run_on_cluster"]
