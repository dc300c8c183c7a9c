"""Where a phone learns to trust the box; it answers before anybody has logged in."""

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from dashboards.reports.trustsheet import Trust, html, style
from services.api.middleware import content_policy, text_hash

router = APIRouter(include_in_schema=False)


def _room(request: Request) -> Trust | None:
    found: Trust | None = getattr(request.app.state, "trust", None)
    return found


def _authority(request: Request) -> Trust:
    room = _room(request)
    if room is None:
        raise HTTPException(404, "This box has no authority of its own.")
    return room


@router.get("/trust", response_class=HTMLResponse)
def trust(request: Request) -> Response:
    """Tell how a phone comes to trust this box; printed, it is the sheet for the wall."""
    policy = content_policy(styles=[text_hash(style())])
    return HTMLResponse(html(_room(request)), headers={"Content-Security-Policy": policy})


@router.get("/trust/authority.crt")
def authority(request: Request) -> Response:
    """Give the authority's certificate as phones take it: DER, under the type they know it by."""
    return Response(_authority(request).der, media_type="application/x-x509-ca-cert")


@router.get("/trust/authority.pem")
def authority_pem(request: Request) -> Response:
    """Give the same as PEM, for machines that want it so."""
    return Response(_authority(request).pem, media_type="application/x-pem-file")
