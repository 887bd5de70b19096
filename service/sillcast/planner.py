"""The in-process face of sillcast: from a request to an answer, in named steps."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from functools import partial, wraps
from typing import Any, Concatenate, Literal, ParamSpec, TypeVar

import msgspec

from sillcast import advice, checks, draw, faults, motion, needs, onsite, render, showing
from sillcast.compare import Compared, compare, is_met
from sillcast.contract import (
    Assessment,
    BodyList,
    Comparison,
    Conditions,
    CoverageAnswer,
    FamilyCard,
    FamilyList,
    Finding,
    MountSearchAnswer,
    NeedsAnswer,
    SensorAnswer,
)
from sillcast.disturbance import disturbances
from sillcast.errors import BudgetError, FamilyError, Fault, UncomputableError
from sillcast.family import FloorArea, Rays
from sillcast.findings import CAUTIONS, core, ordered
from sillcast.kernel import Surroundings, TestBody, poses
from sillcast.kernel.kept import Kept
from sillcast.needs import Needs, RuleSet
from sillcast.registry import Registry
from sillcast.sensing import Placed, Sensing, Window, floors_of, obstacle_prisms, place, responses, scene_of

__all__ = ["RAYS_MOST", "WORK_MOST", "Planner", "Watch"]

RAYS_MOST = 200_000  # rays of all sensors of one request
WORK_MOST = 60_000_000  # rays x (obstacles + parts of the door) x leaf states of one request

Request = Any
P = ParamSpec("P")
R = TypeVar("R")
Answer = TypeVar("Answer", bound=msgspec.Struct)

Watch = Callable[[str], AbstractContextManager[Any]]
"""Is told each step by its name as it begins, and by the end of the context as it ends; steps may hold others."""


def _step(name: str) -> Callable[[Callable[Concatenate[Planner, P], R]], Callable[Concatenate[Planner, P], R]]:
    """Let a method of the planner be watched as one step."""

    def named(method: Callable[Concatenate[Planner, P], R]) -> Callable[Concatenate[Planner, P], R]:
        @wraps(method)
        def watched(planner: Planner, /, *args: P.args, **kwargs: P.kwargs) -> R:
            with planner.watch(name):
                return method(planner, *args, **kwargs)

        return watched

    return named


@dataclass(frozen=True, eq=False)
class _Plan:
    """A request in the middle of its way: checked, placed, with its needs."""

    request: Request
    bodies: Mapping[str, TestBody]
    sensing: Sensing
    needs: Needs


class Planner:
    """Answers requests; keeps nothing between them.

    Parameters
    ----------
    registry : Registry, optional
        Installed families; found through their entry points if absent.
    watch : callable, optional
        Is told the steps of the work, to time or trace them; the name of a step to a context manager around it.
    """

    def __init__(self, registry: Registry | None = None, watch: Watch = nullcontext) -> None:
        self.registry = registry or Registry.find()
        self.watch = watch
        self._json = msgspec.json.Decoder(self.request_type)
        self._msgpack = msgspec.msgpack.Decoder(self.request_type)
        self._search = msgspec.json.Decoder(advice.mount_search_type(self.request_type))

    @property
    def request_type(self) -> type[msgspec.Struct]:
        """Struct of a request, with the parameters of all installed families."""
        return self.registry.request_type

    def decode(self, body: bytes, media: Literal["json", "msgpack"] = "json") -> Request:
        """Request from its bytes.

        Raises
        ------
        MalformedError
            With every fault that can be told apart, not the first alone.
        """
        decoder = self._json if media == "json" else self._msgpack
        return faults.decoded(body, decoder, media)

    def assess(self, request: bytes | Mapping[str, Any] | msgspec.Struct) -> Assessment:
        """The main job: need, detection, comparison, findings, marks and checks.

        Raises
        ------
        MalformedError, UncomputableError, FamilyError
        """
        plan = self._reviewed(self._plan(self._taken(request)))
        compared = self._compared(plan)
        answer = self._answer(plan, compared)
        if plan.request.output.picture:
            answer = msgspec.structs.replace(answer, picture_svg=self._drawn(plan, compared, answer))
        return self._finite(answer)

    def _answer(self, plan: _Plan, compared: Sequence[Compared]) -> Assessment:
        shown, found = self._shown(plan), self._found(plan, compared)
        return Assessment(
            summary=render.summary(compared, found),
            zones=render.zones(plan.needs),
            sensors=shown,
            comparisons=[c.answer for c in compared],
            findings=found,
            **self._advised(plan, [c.answer for c in compared], found),
            **self._onsite(plan, compared),
            cautions=list(CAUTIONS),
            derivations=render.derivations(plan.needs),
            overrides=list(plan.needs.overrides),
            computed_by=render.computed_by(plan.needs.rule_set, self._used(plan)),
        )

    @_step("showing")
    def _shown(self, plan: _Plan) -> list[SensorAnswer]:
        return showing.sensors(plan.sensing, plan.request.output, plan.bodies)

    @_step("findings")
    def _found(self, plan: _Plan, compared: Sequence[Compared]) -> list[Finding]:
        return ordered(list(self._findings(plan, compared)))

    def _findings(self, plan: _Plan, compared: Sequence[Compared]) -> Iterable[Finding]:
        yield from plan.needs.findings
        yield from render.core_findings(plan.sensing, compared, plan.request.door, plan.request.site)
        yield from self._weather(plan, compared)
        yield from disturbances(plan.sensing.placed, plan.sensing)
        yield from self._reviews(plan)

    def _weather(self, plan: _Plan, compared: Sequence[Compared]) -> Iterable[Finding]:
        """Zones that would be met without the declared conditions."""
        request = plan.request
        if request.site.conditions == Conditions() or all(c.answer.verdict != "not_met" for c in compared):
            return
        clear = msgspec.structs.replace(request, site=msgspec.structs.replace(request.site, conditions=Conditions()))
        lost = {c.zone.id for c in compared if c.answer.verdict == "not_met"}
        plan = self._plan(clear, plan.sensing.kept)
        met = {zone.id for zone in plan.needs.zones if zone.id in lost and is_met(zone, plan.sensing)}
        for c in compared:
            if c.zone.id in met:
                yield core("weather_fails", subjects=["/site/conditions"], zone=c.zone.id, label=c.zone.label)

    def coverage(self, request: bytes | Mapping[str, Any] | msgspec.Struct) -> CoverageAnswer:
        """What the sensors see, without any door rule."""
        plan = self._plan(self._taken(request))
        return self._finite(
            CoverageAnswer(
                sensors=self._shown(plan),
                combined=showing.combined(plan.sensing, plan.request.output, plan.bodies),
                shadows=showing.shadows(plan.sensing, plan.request.output, plan.bodies),
                findings=ordered(list(self._reviews(plan))),
                cautions=list(CAUTIONS),
                computed_by=render.computed_by("", self._used(plan)),
            )
        )

    def needs(self, request: bytes | Mapping[str, Any] | msgspec.Struct) -> NeedsAnswer:
        """Required zones with their derivations; fast enough for every keystroke of a form."""
        taken = self._taken(request)
        bodies, _ = self._checked(taken, heads=False)
        found = self._needs(taken, bodies, self._placed(taken))
        return self._finite(
            NeedsAnswer(
                zones=render.zones(found),
                findings=ordered(found.findings),
                derivations=render.derivations(found),
                overrides=list(found.overrides),
                cautions=list(CAUTIONS),
                computed_by=render.computed_by(found.rule_set, ()),
            )
        )

    def mount_search(
        self,
        request: bytes | Mapping[str, Any] | msgspec.Struct,
        tick: Callable[[int, int, str], None] = lambda done, of, stage: None,
    ) -> MountSearchAnswer:
        """Ranked mounts of the given devices at the allowed places; reads JSON, a mapping or a struct.

        Parameters
        ----------
        request : bytes, mapping or struct
            As `advice.mount_search_type` describes it.
        tick : callable, optional
            Told after each batch how much of how much (at most) of which stage is done; what it raises ends the search.

        Raises
        ------
        MalformedError, UncomputableError, FamilyError
        """
        asked = self._asked(request)
        base: Any = advice.base_request(asked, self.request_type)
        plan = self._plan(base, beside=self._search_faults(asked))
        devices = [(self.registry.of(d.device).family.response_s(d.device), d.purposes) for d in asked.devices]
        zones = needs.required(
            base.door, base.site, base.traffic, base.rules, plan.bodies, advice.slowest(devices, asked.sides)
        ).zones
        bench = advice.Bench(
            request=base,
            asked=asked,
            site=_site(plan),
            zones=zones,
            place=lambda sensor, index: self._place(base, sensor, index),
            evaluate=partial(self._exact, kept=Kept(), window=render.window(zones, (), base.door, around_m=30.0)),
            tick=tick,
        )
        return self._finite(self._searched(bench))

    def picture(self, request: bytes | Mapping[str, Any] | msgspec.Struct) -> str:
        """Plan view of the assessment as SVG text."""
        taken = self._taken(request)
        plain = msgspec.structs.replace(taken.output, proposals=False, detections=(), counts=(), rays=False)
        plan = self._reviewed(self._plan(msgspec.structs.replace(taken, output=plain)))
        compared = self._compared(plan)
        return self._drawn(plan, compared, self._answer(plan, compared))

    def families(self) -> FamilyList:
        """What is installed."""
        return render.family_list(self.registry)

    def family(self, name: str) -> FamilyCard:
        """One family with its schema, purposes and worked example.

        Raises
        ------
        UnknownNameError
        """
        return render.family_card(self.registry.named(name))

    def rule_sets(self) -> render.RuleSetList:
        """All rule sets with their numbers, sources and standing."""
        return render.rule_set_list()

    def rule_set(self, name: str) -> RuleSet:
        """One rule set.

        Raises
        ------
        UnknownNameError
        """
        return render.rule_set_card(name)

    def bodies(self) -> BodyList:
        """Catalogue of standard test bodies."""
        return render.body_list(needs.catalogue())

    def warm_up(self) -> None:
        """Run the main job once, and what mount searches use, so that compiled kernels are ready."""
        self.assess(render.WARM_UP)
        poses.warm_up()

    # ------------------------------------------------------------------ steps

    @_step("decode")
    def _asked(self, request: bytes | Mapping[str, Any] | msgspec.Struct) -> Any:
        """Struct of a mount search, as `_taken` for the other requests."""
        if isinstance(request, bytes | bytearray | memoryview):
            return faults.decoded(bytes(request), self._search)
        return faults.converted(request, self._search.type)

    @_step("decode")
    def _taken(self, request: bytes | Mapping[str, Any] | msgspec.Struct) -> Request:
        """Request struct of what the caller gave; a struct is checked like anything else."""
        if isinstance(request, bytes | bytearray | memoryview):
            return self.decode(bytes(request))
        return faults.converted(request, self.request_type)

    def _search_faults(self, asked: Any) -> list[Fault]:
        """What of a mount search cannot be computed, beside its door."""
        searched = [each.name for each in self.registry.families if checks.is_searched(each.family)]
        families = [self.registry.of(d.device).family for d in asked.devices]
        mounts = [
            *checks.search_faults(asked.places, asked.sides),
            *advice.place_faults(asked.places, asked.angles),
        ]
        return [
            *checks.in_document_order(checks.device_faults(asked.devices, families, searched), asked),
            *checks.in_document_order(mounts, asked),
        ]

    @_step("check")
    def _checked(
        self, request: Request, *, heads: bool, beside: Sequence[Fault] = ()
    ) -> tuple[Mapping[str, TestBody], Surroundings]:
        """Bodies of this request and what stands still in it, after all that cannot be computed was refused at once.

        `heads` asks for the sensors' places too; `beside` are faults that were found elsewhere.
        """
        standard = needs.catalogue()
        bodies = {**standard, **{b.name: render.test_body(b) for b in request.bodies}}
        found: list[Fault] = [
            *checks.door_faults(request.door),
            *checks.site_faults(request.site.obstacles, request.site.neighbours),
            *checks.names_faults(request, standard),
            *checks.body_faults(request.bodies),
            *checks.traffic_faults(request.traffic, bodies),
            *checks.output_faults(request.output, bodies, request.rules.protection_bodies),
            *needs.rule_faults(request.rules),
        ]
        for i, sensor in enumerate(request.sensors):
            family = self.registry.of(sensor.device).family
            found += checks.sensor_faults(sensor, f"/sensors/{i}", family.needs_counterpart)
        fixed = _fixed(request, found)
        if heads:
            found += checks.buried_faults(request.sensors, fixed)
        if found or beside:
            raise UncomputableError([*checks.in_document_order(found, request), *beside][: faults.FAULT_LIMIT])
        return bodies, fixed

    @_step("place")
    def _placed(self, request: Request) -> list[Placed]:
        return [self._place(request, sensor, i) for i, sensor in enumerate(request.sensors)]

    def _place(self, request: Request, sensor: Any, index: int) -> Placed:
        installed = self.registry.of(sensor.device)
        scene = scene_of(sensor, index, request.door, request.site, floors_of(request.site))
        return place(sensor, index, installed.family, installed.origin, scene)

    def _plan(
        self,
        request: Request,
        kept: Kept | None = None,
        beside: Sequence[Fault] = (),
        window: Window | None = None,
    ) -> _Plan:
        """The request checked and placed; `kept` is what a variant of it has found out already."""
        bodies, fixed = self._checked(request, heads=True, beside=beside)
        placed = self._placed(request)
        _refuse_too_much(placed, fixed, request)
        found = self._needs(request, bodies, placed)
        window = window or render.window(found.zones, placed, request.door)
        sensing = Sensing(
            placed,
            fixed,
            lambda state: motion.leaf_prisms(request.door, state),
            window,
            request.door.opening.width_m / 2,
            kept,
        )
        return _Plan(request, bodies, sensing, found)

    @_step("review")
    def _reviewed(self, plan: _Plan) -> _Plan:
        """The plan with what the rule set has to say about its sensors."""
        request, found = plan.request, plan.needs
        facts = [_facts(sensor, request) for sensor in plan.sensing.placed]
        beside = needs.reviewed(request.door, request.rules, facts, found.unread)
        findings, derivations = (*found.findings, *beside.findings), (*found.derivations, *beside.derivations)
        return replace(plan, needs=replace(found, findings=findings, derivations=derivations))

    @_step("needs")
    def _needs(self, request: Request, bodies: Mapping[str, TestBody], placed: Sequence[Placed]) -> Needs:
        return needs.required(request.door, request.site, request.traffic, request.rules, bodies, responses(placed))

    @_step("advice")
    def _advised(
        self, plan: _Plan, comparisons: Sequence[Comparison], findings: Sequence[Finding]
    ) -> Mapping[str, Any]:
        """Parts of the answer that say what to set; each proposal is proven by assessing the changed request."""
        task = advice.Task(
            request=plan.request,
            placed=plan.sensing.placed,
            zones=plan.needs.zones,
            comparisons=comparisons,
            site=_site(plan),
            evaluate=partial(self._exact, kept=plan.sensing.kept),
            needs=lambda request: self._plan(request).needs,
        )
        output = plan.request.output
        return advice.advised(task, findings, wanted=output.proposals, robustness=output.robustness)

    @_step("search")
    def _searched(self, bench: advice.Bench) -> MountSearchAnswer:
        return advice.mount_search(bench)

    @_step("onsite")
    def _onsite(self, plan: _Plan, compared: Sequence[Compared]) -> Mapping[str, Any]:
        """Parts of the answer for the one with the tape measure."""
        return {
            "aim_marks": onsite.aim_marks(plan.sensing, plan.request.door),
            "site_checks": onsite.site_checks(compared, plan.sensing, plan.request.door),
        }

    @_step("verify")
    def _finite(self, answer: Answer) -> Answer:
        return render.finite(answer)

    def _exact(self, request: Request, kept: Kept | None = None, window: Window | None = None) -> list[Comparison]:
        """Comparisons of a request that the advice changed; what shares a window shares more of what is kept."""
        plan = self._plan(request, kept, window=window)
        return [compare(zone, plan.sensing, plan.bodies, explain=False).answer for zone in plan.needs.zones]

    @_step("compare")
    def _compared(self, plan: _Plan) -> list[Compared]:
        return [compare(zone, plan.sensing, plan.bodies) for zone in plan.needs.zones]

    def _reviews(self, plan: _Plan) -> Iterable[Finding]:
        """Remarks of each family on its sensors.

        Raises
        ------
        FamilyError
            If a family raises.
        """
        for sensor in plan.sensing.placed:
            view = render.sensor_view(sensor, plan.sensing, plan.needs, plan.bodies)
            try:
                yield from list(sensor.family.review(sensor.params, sensor.scene, view))
            except Exception as error:
                raise FamilyError(
                    sensor.family.name, sensor.distribution, f"review raised {type(error).__name__}"
                ) from error

    def _used(self, plan: _Plan) -> Iterable[tuple[str, str]]:
        names = sorted({s.family.name for s in plan.sensing.placed})
        return [(name, self.registry.named(name).version) for name in names]

    @_step("draw")
    def _drawn(self, plan: _Plan, compared: Sequence[Compared], answer: Assessment) -> str:
        return draw.plan_svg(plan.request, answer, detected_m=render.detected(plan.sensing, compared))


def _facts(sensor: Placed, request: Request) -> needs.SensorFacts:
    """What the checks of the door must know of a sensor."""
    asked = request.sensors[sensor.index]
    at = asked.mount.position
    crossing = [e for e in sensor.emissions if isinstance(e, Rays) and e.blocks]
    beams = [
        (tuple(start.tolist()), tuple((start + length * direction).tolist()))
        for e in crossing
        for start, direction, length in zip(e.origins, e.directions, e.range_m, strict=True)
    ]
    return needs.SensorFacts(
        name=sensor.name,
        pointer=sensor.pointer,
        purposes=sensor.purposes,
        position=(at.x_m, at.y_m, at.z_m),
        side=sensor.side,
        sits=sensor.family.sits,
        carrier=asked.mount.carrier,
        beams=tuple(beams),
        beam_width_m=max((e.beam_width_m for e in crossing), default=0.0),
        floor_ys=tuple(float(y) for e in sensor.emissions if isinstance(e, FloorArea) for y in e.ring[:, 1]),
        response_s=sensor.response_s,
        performance_level=asked.performance_level,
        category=asked.category,
    )


def _site(plan: _Plan) -> advice.Site:
    """What stays while the advice moves sensors."""
    door, sensing = plan.request.door, plan.sensing
    return advice.Site(
        sensing.fixed, lambda state: motion.leaf_prisms(door, state), sensing.half_width_m, sensing.blocked
    )


def _fixed(request: Request, found: Iterable[Fault]) -> Surroundings:
    """What stands still around the door; without what is at fault, which has no shape."""
    wrong, site = {fault.pointer for fault in found}, request.site
    sound = [
        obstacle
        for i, obstacle in enumerate(site.obstacles)
        if wrong.isdisjoint((f"/site/obstacles/{i}/ring_m", f"/site/obstacles/{i}/top_m"))
    ]
    is_door_sound = not any(pointer.startswith(("/door/wall", "/door/guides", "/door/header")) for pointer in wrong)
    obstacles = obstacle_prisms(msgspec.structs.replace(site, obstacles=tuple(sound)))
    return Surroundings(floors_of(site), (*(motion.door_prisms(request.door) if is_door_sound else ()), *obstacles))


def _refuse_too_much(placed: Sequence[Placed], fixed: Surroundings, request: Request) -> None:
    """Refuse more work than one request may ask, before it is begun."""
    rays = sum(len(e.range_m) for s in placed for e in s.emissions if isinstance(e, Rays))
    work = rays * (len(fixed.prisms) + 4) * (5 + len(request.output.states))
    for what, asked, most in (("rays", rays, RAYS_MOST), ("ray tests", work, WORK_MOST)):
        if asked > most:
            detail = f"The sensors ask for {asked} {what}; one request may ask for {most}."
            raise BudgetError([Fault("/sensors", "budget", detail, f"at most {most} {what}", str(asked))])
