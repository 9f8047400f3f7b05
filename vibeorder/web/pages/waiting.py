"""A task under way: how far it is, for a script and for a reader without scripts."""

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from vibeorder.web.house import house_of
from vibeorder.web.pages_common import for_page, render
from vibeorder.web.queue import DONE_PAGES, TaskState

__all__ = ["ROUTES"]


async def working(request: Request) -> Response:
    """The waiting page; on to the result when it is there."""
    name = request.path_params["name"]
    state = house_of(request).queue.state(name)
    if state.state == "done":
        return RedirectResponse(next_page(name, state), 303)
    return render(request, "working.html", name=name, task=state, error=for_page(state.error))


async def progress(request: Request) -> Response:
    """{"state", "share", "what", "ahead", "error", "next"}."""
    name = request.path_params["name"]
    state = house_of(request).queue.state(name)
    return JSONResponse(
        {
            "state": state.state,
            "share": round(state.share, 3),
            "what": state.what,
            "ahead": state.ahead,
            "error": for_page(state.error),
            "next": next_page(name, state) if state.state == "done" else None,
        }
    )


def next_page(name: str, state: TaskState) -> str:
    """Where the result of a task is shown."""
    return DONE_PAGES.get(state.kind, "/").format(id=name)


ROUTES = [Route("/working/{name}", working), Route("/api/tasks/{name}", progress)]
