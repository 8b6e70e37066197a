"""Messages to people who have left the room: the messenger's state, and a test."""

from __future__ import annotations

from fastapi import APIRouter

from api.http.context import AppContext
from api.http.models.messages import MessagesAnswer
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import PAIRING_NEEDED
from api.http.routes.access import Controlling


def message_routes(context: AppContext) -> APIRouter:
    """Return the routes of the messages."""
    router = APIRouter(tags=["rig"])

    @router.get(
        "/api/messages",
        operation_id="messages",
        summary="Whether messages are set up, and how the latest went",
        responses=problem_responses(PAIRING_NEEDED),
    )
    async def messages(_caller: Controlling) -> MessagesAnswer:
        """For devices that may control. The response names no service's address."""
        return MessagesAnswer.of(await context.messaging.run(context.messages.state))

    @router.post(
        "/api/messages/test",
        operation_id="testMessages",
        summary="Send a test message through each service",
        responses=problem_responses(PAIRING_NEEDED),
    )
    async def test(_caller: Controlling) -> MessagesAnswer:
        """The response says how it went. This may take 40 s."""
        return MessagesAnswer.of(await context.messaging.run(context.messages.test))

    return router
