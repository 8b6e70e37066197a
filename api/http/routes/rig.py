"""The rig check, the metals, and the true values of a rehearsal."""

from __future__ import annotations

from fastapi import APIRouter

from api.http.context import AppContext
from api.http.models.metals import MetalAnswer, MetalList
from api.http.models.rig import RehearsalTruth, RigCheck
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import LOOP_NOT_ALIVE, NO_REHEARSAL
from api.http.problems import ProblemError
from controller.config import MetalSettings
from controller.physics.faraday import METALS, metal_named
from controller.running.rig_report import rig_report


def rig_routes(context: AppContext) -> APIRouter:
    """Return the routes of the rig."""
    router = APIRouter(tags=["rig"])

    @router.get(
        "/api/rig-check",
        operation_id="rigCheck",
        summary="Check the rig with the relay off",
        responses=problem_responses(LOOP_NOT_ALIVE),
    )
    async def rig_check() -> RigCheck:
        """It never switches anything on. It says what the readings prove and what they cannot."""
        check = await context.commands.run(context.service.check)
        notes = await context.reading.run(context.host_notes)
        limits = context.service.settings.limits
        report = rig_report(check, context.service.snapshot(), limits.max_sample_age_s)
        return RigCheck.of(report, notes)

    @router.get(
        "/api/metals",
        operation_id="metals",
        summary="The metals that a plan can name",
        responses=problem_responses(),
    )
    async def metals() -> MetalList:
        """The user's own densities and etch factors override the built-in ones."""
        own = context.service.settings.metals
        none = MetalSettings()
        known = (
            metal_named(
                name, own.get(name, none).density_g_per_cm3, own.get(name, none).etch_factor
            )
            for name in METALS
        )
        return MetalList(metals=tuple(MetalAnswer.of(metal) for metal in known))

    @router.get(
        "/api/rehearsal",
        operation_id="rehearsal",
        summary="The true values of the rehearsal rig",
        responses=problem_responses(NO_REHEARSAL),
    )
    async def rehearsal() -> RehearsalTruth:
        """On a real rig nobody knows them: 404."""
        if context.truth is None:
            raise ProblemError(NO_REHEARSAL, "http.request.no_rehearsal")
        return RehearsalTruth.model_validate(await context.reading.run(context.truth))

    return router
