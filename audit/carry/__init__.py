"""Files that leave the program beside its reports: sidecars, verified copies, hashes compared."""
