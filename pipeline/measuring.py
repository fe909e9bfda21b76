"""What is measured before frames are developed: charts, and the products that frames are evened by.

Holds what was read before and what is read now, and says what of it a frame is developed with. The
measuring itself is done in workers, by whichever engine is given.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import evening
from pipeline.engines import Failure, MakeEngine, Task
from pipeline.hashing import key_of
from pipeline.job import DEFAULT_EDITION
from pipeline.manifest import Manifest
from pipeline.manifest.store import utc_now
from pipeline.records import (
    Action,
    Evening,
    MeasuredChart,
    ReadProducts,
    ResolvedChart,
    ResolvedFrame,
)
from pipeline.survey import Survey, with_chart

if TYPE_CHECKING:
    from pipeline.work import ChartRead, ChartWork, ProductsWork


class Measurements:
    """What a run's frames are corrected and evened by.

    ``read`` are the charts that were read in this run, ``notes`` sentences for its report.
    """

    def __init__(self, folder: Path, manifest: Manifest, survey: Survey) -> None:
        self._folder, self._manifest, self._survey = folder, manifest, survey
        self._charts = dict(survey.charts)
        self._products = dict(survey.products_read)
        self._unread: dict[str, Failure] = {}
        self.read: list[MeasuredChart] = []
        self.notes: list[str] = []

    def measure(
        self,
        actions: Sequence[Action],
        frames: Sequence[ResolvedFrame],
        engine: MakeEngine,
    ) -> None:
        """Do the ``measure`` actions that ``frames`` wait for: charts first, then products."""
        wanted = {action.key for action in actions}
        charts = {key_of(f.chart.inputs): f.chart for f in frames if f.chart}
        self._read_charts({key: charts[key] for key in charts if key in wanted}, engine)
        groups = [frame.even.group for frame in frames if frame.even]
        members = {key: name for group in groups for name, key in group.items() if key in wanted}
        self._read_products(members, engine)

    def _read_charts(self, charts: Mapping[str, ResolvedChart], engine: MakeEngine) -> None:
        keys = {f"the chart of {chart.setup}": key for key, chart in charts.items()}
        tasks = [Task(name, self._chart_work(charts[key])) for name, key in keys.items()]
        for name, result in self._done(tasks, [c.frame for c in charts.values()], engine):
            key, chart = keys[name], charts[keys[name]]
            place = f"{name} in {chart.frame}"
            if isinstance(result, Failure):
                self._unread[key] = replace(result, sentence=f"{place}: {result.sentence}")
                continue
            read: ChartRead = result
            measured = MeasuredChart(
                setup=chart.setup,
                frame=chart.frame,
                key=key,
                inputs=chart.inputs,
                correction=read.correction,
                reading=read.reading,
                warnings=read.warnings,
                made_at=utc_now(),
            )
            self._manifest.record_chart(measured)
            self._charts[key] = measured
            self.read.append(measured)
            self.notes += [f"{place}: {warning}" for warning in read.warnings]

    def _read_products(self, members: Mapping[str, str], engine: MakeEngine) -> None:
        tasks = []
        keys = {}
        states = self._survey.states
        for key, name in members.items():
            frame = with_chart(self._survey.job.resolve(name, states[name].setup), states)
            if hindrance := self.hindrance(frame):
                self._unread[key] = hindrance
                continue
            keys[name] = key
            tasks.append(Task(name, self._products_work(frame)))
        for name, result in self._done(tasks, keys, engine):
            key = keys[name]
            if isinstance(result, Failure):
                sentence = f"the products of {name}, for even: true: {result.sentence}"
                self._unread[key] = replace(result, sentence=sentence)
                continue
            self._products[key] = ReadProducts(name, key, result, utc_now())
            self._manifest.record_products(self._products[key])

    def _done(
        self,
        tasks: Sequence[Task],
        frames: Iterable[str],
        engine: MakeEngine,
    ) -> Iterator[tuple[str, Any]]:
        """Each task's name with what came of it: a record, or a ``Failure``."""
        if not tasks:
            return
        with closing(engine(self._survey.most_pixels(frames)).run(tasks)) as outcomes:
            for outcome in outcomes:
                yield outcome.task.name, outcome.failure or outcome.record

    def _chart_work(self, chart: ResolvedChart) -> ChartWork:
        from pipeline.work import ChartWork

        original = self._survey.states[chart.frame].original
        return ChartWork(
            original=self._folder / original.path,
            original_digest=original.digest,
            edition=chart.inputs.get("edition", DEFAULT_EDITION),
            values=self._survey.job.files[chart.values] if chart.values else None,
            corners=chart.inputs.get("corners"),
        )

    def _products_work(self, frame: ResolvedFrame) -> ProductsWork:
        from pipeline.work import ProductsWork

        original = self._survey.states[frame.frame].original
        return ProductsWork(
            original=self._folder / original.path,
            original_digest=original.digest,
            steps=evening.scene_steps(frame),
            products=frame.products,
            files=self._survey.job.files,
            correction=self.correction(frame),
        )

    def hindrance(self, frame: ResolvedFrame) -> Failure | None:
        """What could not be read and keeps a frame from being developed."""
        keys = [key_of(frame.chart.inputs)] if frame.chart else []
        keys += frame.even.group.values() if frame.even else ()
        return next((self._unread[key] for key in keys if key in self._unread), None)

    def covers(self, frame: ResolvedFrame) -> bool:
        """Whether all that a frame is developed with was read, now or before."""
        charts = [key_of(frame.chart.inputs)] if frame.chart else []
        products = frame.even.group.values() if frame.even else ()
        return self._charts.keys() >= set(charts) and self._products.keys() >= set(products)

    def correction(self, frame: ResolvedFrame) -> Mapping[str, Any] | None:
        """What was fitted to the chart of a frame's setup, where its balance comes from there."""
        return self._charts[key_of(frame.chart.inputs)].correction if frame.chart else None

    def evening(self, frame: ResolvedFrame) -> Evening | None:
        """How a frame's light is moved, with a note of it."""
        if frame.even is None:
            return None
        tolerances = {product.name: product.tolerance for product in frame.products}
        labs = {name: self._products[key].labs for name, key in frame.even.group.items()}
        shared = {
            name: {product: lab for product, lab in own.items() if product in tolerances}
            for name, own in labs.items()
        }
        moved = evening.evenings(shared, tolerances).get(frame.frame)
        if moved is not None:
            self.notes.append(f"{frame.frame}: {evening.in_words(moved, frame.setup)}")
        return moved
