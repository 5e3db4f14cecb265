"""The workers of an audit, started when there is something for them to do."""

from __future__ import annotations

from skyplumb.measure.workers import LocalWorkers, Workers, cores


class WorkerPool:
    """Workers of this machine and of a cluster; none is started before it is asked for.

    Parameters
    ----------
    jobs : int
        Processes of this machine; 0 for one a core.
    cluster : str
        Address of a Dask scheduler whose workers measure, or `local`; empty for own processes.
    """

    def __init__(self, jobs: int, cluster: str) -> None:
        self._jobs, self._cluster = jobs, cluster
        self._started: dict[str, Workers] = {}

    def here(self) -> Workers:
        """This machine's, the same ones each time."""
        if "" not in self._started:
            self._started[""] = LocalWorkers(self._jobs or cores())
        return self._started[""]

    def measuring(self) -> Workers:
        """Those that measure: the cluster's, where one was given."""
        address = self._cluster
        if not address:
            return self.here()
        from skyplumb.measure.cluster import ClusterWorkers

        if address not in self._started:
            self._started[address] = ClusterWorkers(address, self._jobs or cores())
        return self._started[address]

    def stop(self) -> None:
        """End them."""
        for workers in self._started.values():
            workers.stop()
