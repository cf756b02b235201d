"""Which role may use which route: one table, looked up before any route runs.  A route not in it is refused."""

from app.domain.procedure import Role

WORKERS = frozenset({Role.TECHNICIAN, Role.SAFETY_OFFICER, Role.LEAD})
EVERYONE = frozenset(Role)
LEAD = frozenset({Role.LEAD})
OFFICER = frozenset({Role.SAFETY_OFFICER})
KEEPERS = LEAD | OFFICER
ADMINISTRATOR = frozenset({Role.ADMINISTRATOR})

# None: no session is needed.
ALLOWED: dict[tuple[str, str], frozenset[Role] | None] = {
    ("GET", "/signin"): None,
    ("POST", "/signin"): None,
    ("POST", "/scheme"): None,
    ("GET", "/legend"): None,
    ("GET", "/ready"): None,
    ("GET", "/trust"): None,
    ("GET", "/trust/authority.crt"): None,
    ("POST", "/signout"): EVERYONE,
    ("GET", "/secret"): EVERYONE,
    ("POST", "/secret"): EVERYONE,
    ("GET", "/"): EVERYONE,
    ("GET", "/about"): EVERYONE,
    ("GET", "/housings/{tag}"): WORKERS,
    ("GET", "/housings/{tag}/history"): WORKERS,
    ("GET", "/housings/{tag}/history.pdf"): WORKERS,
    ("GET", "/housings/{tag}/{bank}/trend.svg"): WORKERS,
    ("POST", "/housings/{tag}/readings"): WORKERS,
    ("POST", "/housings/{tag}/struck"): LEAD,
    ("GET", "/instruments"): WORKERS,
    ("POST", "/instruments"): KEEPERS,
    ("POST", "/instruments/aside"): KEEPERS,
    ("GET", "/qualifications"): WORKERS,
    ("POST", "/qualifications"): KEEPERS,
    ("GET", "/due"): WORKERS,
    ("GET", "/plan/{tag}"): LEAD,
    ("POST", "/plan/{tag}"): LEAD,
    ("GET", "/jobs/{job}"): WORKERS,
    ("GET", "/jobs/{job}/now"): WORKERS,
    ("GET", "/jobs/{job}/steps/{number}"): WORKERS,
    ("GET", "/jobs/{job}/steps/{number}/change"): WORKERS,
    ("POST", "/jobs/{job}/marks"): WORKERS,
    ("POST", "/jobs/{job}/release"): WORKERS,
    ("POST", "/jobs/{job}/way-out"): LEAD,
    ("GET", "/jobs/{job}/ahead"): WORKERS,
    ("POST", "/jobs/{job}/kept"): WORKERS,
    ("POST", "/jobs/{job}/contests"): LEAD,
    ("POST", "/jobs/{job}/notes"): WORKERS,
    ("POST", "/jobs/{job}/corrections"): WORKERS,
    ("POST", "/jobs/{job}/withdrawals"): WORKERS,
    ("POST", "/jobs/{job}/stop"): WORKERS,
    ("POST", "/jobs/{job}/stop-reason"): WORKERS,
    ("POST", "/jobs/{job}/looks"): WORKERS,
    ("GET", "/jobs/{job}/reopen"): LEAD,
    ("POST", "/jobs/{job}/reopen"): LEAD,
    ("POST", "/jobs/{job}/submit"): LEAD,
    ("GET", "/jobs/{job}/review"): WORKERS,
    ("POST", "/jobs/{job}/exceptions"): OFFICER,
    ("POST", "/jobs/{job}/accept"): OFFICER,
    ("POST", "/jobs/{job}/return"): OFFICER,
    ("GET", "/jobs/{job}/record"): WORKERS,
    ("GET", "/jobs/{job}/record.json"): WORKERS,
    ("GET", "/jobs/{job}/record.pdf"): WORKERS,
    ("GET", "/jobs/{job}/record.zip"): WORKERS,
    ("GET", "/jobs/{job}/certificate/{bank}"): WORKERS,
    ("GET", "/jobs/{job}/certificate/{bank}.pdf"): WORKERS,
    ("GET", "/photos/{sha256}"): WORKERS,
    ("GET", "/people"): ADMINISTRATOR,
    ("POST", "/people"): ADMINISTRATOR,
    ("POST", "/people/{person}/reset"): ADMINISTRATOR,
    ("POST", "/people/{person}/leave"): ADMINISTRATOR,
}
