"""Pages of the handbook: its topics as HTML, and their drawings."""

from __future__ import annotations

import asyncio
from functools import lru_cache

from markdown_it import MarkdownIt
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from logger.handbook.topics import FOLDER, NAMES, REFERENCE, TOPICS, read, title
from logger.page.site import site_of
from logger.page.views import Missing

SCROLLED = '<div class="scrolled" tabindex="0" role="region" aria-label="Table">'


def topics(request: Request) -> Response:
    """List the topics."""
    values = {"topics": [(name, title(name)) for name in NAMES]}
    return site_of(request).page(request, "handbook.html", values)


async def topic(request: Request) -> Response:
    """Show a topic. Its address ends in .md, so that the links between topics lead here."""
    site, name = site_of(request), request.path_params["name"]
    if name not in NAMES:
        raise Missing
    text = await asyncio.to_thread(site.reference if name == REFERENCE else lambda: read(name))
    values = {"title": title(name), "html": html_of(text)}
    return site.page(request, "topic.html", values)


def drawing(request: Request) -> Response:
    """Return a drawing of a topic."""
    path = FOLDER / f"{request.path_params['name']}.svg"
    if path.parent != FOLDER or not path.exists():
        raise Missing
    return FileResponse(path, media_type="image/svg+xml")


@lru_cache(maxsize=len(TOPICS) + 1)
def html_of(text: str) -> str:
    """Return Markdown as HTML; HTML in it is shown as text."""
    html = str(MarkdownIt("commonmark", {"html": False}).enable("table").render(text))
    html = html.replace("<pre>", '<pre tabindex="0">').replace("<p><img", '<p tabindex="0"><img')
    return html.replace("<table>", f"{SCROLLED}<table>").replace("</table>", "</table></div>")
