"""The rig check, the metals, and the rehearsal's truth."""

from __future__ import annotations

from fastapi import APIRouter

from api.http.context import AppContext
from api.http.models.metals import MetalAnswer, MetalList
from api.http.models.rig import RehearsalTruth, RigCheck
from api.http.problem_kinds import LOOP_NOT_ALIVE, NO_REHEARSAL
from api.http.problems import ProblemError, told_problems
from controller.config import MetalSettings
from controller.physics.faraday import METALS, metal_named


def rig_routes(context: AppContext) -> APIRouter:
    """Return the routes that tell of the rig and of what hangs on it."""
    router = APIRouter(tags=["rig"])

    @router.get(
        "/api/rig-check",
        operation_id="rigCheck",
        summary="Check the rig with the relay off",
        responses=told_problems(LOOP_NOT_ALIVE),
    )
    async def rig_check() -> RigCheck:
        """Never switches anything on. Says what the readings prove and what they cannot."""
        report = await context.commands.run(context.service.check)
        notes = await context.reading.run(context.host_notes)
        return RigCheck.of(
            report,
            context.service.snapshot(),
            context.service.settings.limits.max_sample_age_s,
            notes,
        )

    @router.get(
        "/api/metals",
        operation_id="metals",
        summary="The metals that a plan can name",
        responses=told_problems(),
    )
    async def metals() -> MetalList:
        """The user's own densities and etch factors are taken in."""
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
        summary="What really happened on the rehearsal bench",
        responses=told_problems(NO_REHEARSAL),
    )
    async def rehearsal() -> RehearsalTruth:
        """On a real bench nobody knows: 404."""
        if context.truth is None:
            raise ProblemError(
                NO_REHEARSAL, "only the rehearsal bench knows the truth: gauge the plate"
            )
        return RehearsalTruth.model_validate(await context.reading.run(context.truth))

    return router
