"""Who may ask for a change: a page of this dashboard, in a browser that opened it here.

There is no password, so nothing tells one reader from another; what is kept out are other web
pages that a browser in this network happens to have open. Three things must agree: the host asked
for is one that only this network can mean (a foreign name that was pointed at our address is not),
the browser says that the request comes from this very origin, and the request carries a token that
only our own pages hold.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from urllib.parse import urlsplit

from werkzeug.wrappers import Request

TOKEN_HEADER = "X-Sootsayer-Token"  # where a script puts it
TOKEN_FIELD = "token"  # and where a form does
TOKEN_BYTES = 24
# Endings that no public name has: RFC 6762 (.local), RFC 8375 (home.arpa), and those that
# routers give to their own network (ICANN has reserved .internal; .lan, .home are never sold).
OWN_ENDINGS = (".local", ".home.arpa", ".internal", ".lan", ".home", ".localhost")


def new_token() -> str:
    """One for the life of a dashboard."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def why_refused(request: Request, token: str) -> str:
    """Why a request for a change is not taken, in words; "" if it may be."""
    if not is_own_host(request.host):
        return f"{request.host} may be a name from outside; open the dashboard by its number"
    if not _same_origin(request):
        return "the request does not come from a page of this dashboard"
    shown = request.headers.get(TOKEN_HEADER) or request.form.get(TOKEN_FIELD, "")
    if not hmac.compare_digest(shown.encode(), token.encode()):
        return "this page is older than the dashboard; reload it and try again"
    return ""


def is_own_host(host: str) -> bool:
    """Whether the host of an address can only mean a machine in this network."""
    name = (urlsplit(f"//{host}").hostname or "").rstrip(".")
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return bool(name) and ("." not in name or name.endswith(OWN_ENDINGS))
    return True


def _same_origin(request: Request) -> bool:
    site = request.headers.get("Sec-Fetch-Site", "same-origin")
    return site == "same-origin" and request.headers.get("Origin") == request.host_url.rstrip("/")
