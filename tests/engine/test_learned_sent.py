"""An engine's thread puts learned figures on the record with the trend that makes them due, in one transaction with the
checkpoint that knows of it."""

from concurrent.futures import Future
from typing import Any, cast

import numpy as np

from gateway.encode.learned import learned_in
from gateway.encode.topics import Topics
from gateway.engine.thread import EngineThread
from gateway.model.output import Batch
from gateway.model.records import Median
from gateway.model.settings_file import load_settings, shipped_config
from gateway.outputs import TrendDue
from gateway.pipeline import EnginePipeline
from gateway.wear.trend import Side
from gateway.wear.watch import SlowMeans

UTC, HOURS = 1.9e9, 21_400.0


class Recorded:
    """What the thread hands on."""

    def __init__(self) -> None:
        self.commits: list[Batch] = []

    def record(self, batch: Batch) -> "Future[int]":
        """Keep it here."""
        self.commits.append(batch)
        done: Future[int] = Future()
        done.set_result(0)
        return done

    def add_trend(self, engine: str, utc_s: float, payload: bytes) -> None:
        """Nothing."""


def test_they_go_with_the_trend_once() -> None:
    """Not while there is no trend; then once, as the gateway's event; the checkpoint beside it counts them as sent."""
    pipeline = EnginePipeline(load_settings(shipped_config("tern-passage.toml")), "main", UTC)
    outlets = Recorded()
    thread = EngineThread(pipeline, 0, Topics("camdrift/1", "tern-passage"), outlets)  # type: ignore[arg-type]
    noise = np.random.default_rng(1).standard_normal((620, 2)).tolist()
    for n, (a, b) in enumerate(noise):
        lag, mm = 0.9 + 0.01 * a, 180.4 + 0.05 * b
        median = Median(UTC + 600 * n, HOURS + n / 6, 850, lag, 0.01, mm, 0.02, 88.0, 45.0, 38.0, 0.6)
        pipeline.wear.series.add(median, Side())
        if n in (300, 618, 619):
            trend = pipeline.wear.take_trend(SlowMeans(median.utc_s, median.hours, lag, mm))
            thread._publish([TrendDue(trend)])
    assert [len(batch.events) for batch in outlets.commits] == [0, 1, 0]
    (event,), checkpoints = outlets.commits[1].events, cast("dict[str, Any]", outlets.commits[1].checkpoints)
    assert (event.topic, event.kind, event.body["what"]) == ("camdrift/1/tern-passage/event", "gateway", "learned")
    message = learned_in(str(event.body["text"]))
    assert message.lag is not None and len(message.lag.columns[0]) == pipeline.wear.series.lag.fit.rows
    assert checkpoints["wear/main"]["ashore"][0] == message.utc_s
