"""All pages as one router for the web application."""

from fastapi import APIRouter, Depends

from dashboards.language import write_for_asker
from dashboards.pages import (
    account,
    admin,
    admin_credentials,
    admin_labels,
    admin_rows,
    batches,
    calendar,
    camp,
    checks,
    compare,
    crew,
    departure,
    fleet,
    health,
    history,
    jobs,
    languages,
    log,
    login,
    mapped,
    notices,
    offline,
    plan,
    put_in,
    reach,
    reachlink,
    reachplace,
    records,
    say,
    supplies,
    theme,
    tonight,
    trust,
    unit,
    unit_days,
    why,
    workshop,
    workshop_battery,
    workshop_fleet,
    workshop_health,
    workshop_sheet,
    workshop_tests,
    workshop_unit,
)
from dashboards.pages.render import STATIC_DIR, problem_page

__all__ = ["STATIC_DIR", "page_router", "problem_page"]

_PARTS = (
    *(fleet, notices, tonight, departure, plan, supplies, mapped, compare, history),
    *(camp, checks, offline, put_in, batches),
    *(workshop, workshop_battery, workshop_fleet, workshop_health, workshop_sheet, workshop_tests),
    *(workshop_unit, jobs, calendar),
    *(unit, unit_days, log, say, health, why),
    *(admin, admin_credentials, admin_labels, admin_rows),
    *(reach, reachplace, reachlink),
    *(login, account, crew, records, languages, theme, trust),
)


def page_router() -> APIRouter:
    """Return the routes of the pages; they find the desk and the static files on the application."""
    router = APIRouter(dependencies=[Depends(write_for_asker)])
    for part in _PARTS:
        router.include_router(part.router)
    return router
