"""Which right each route needs: the one place. A route that is not here is answered to nobody.

``None`` is open to everybody; ``FRESH`` routes ask for the password again where it was given
too long ago.
"""

from typing import Final

from tallymast.domain.people import Right

_S, _O, _P, _M = Right.SEE, Right.OWN, Right.POLL, Right.MARK
_L, _A, _H, _K = Right.LISTEN, Right.AUDIT, Right.PEOPLE, Right.KEEP
_C, _V = Right.SETUP, Right.PROVE

NEEDS: Final[dict[tuple[str, str], Right | None]] = {
    # what machines and browsers need before anybody is known
    ("GET", "/healthz"): None,
    ("GET", "/static/{name:path}"): None,
    ("GET", "/sign-in"): None,
    ("POST", "/sign-in"): None,
    ("POST", "/sign-out"): None,
    ("GET", "/welcome"): None,
    ("POST", "/welcome"): None,
    # seeing
    ("GET", "/"): _S,
    ("GET", "/stream/round"): _S,
    ("GET", "/rounds"): _S,
    ("GET", "/rounds/{day}"): _S,
    ("POST", "/handover"): Right.NOTE,
    ("GET", "/sites/{key}"): _S,
    ("GET", "/stream/sites/{key}"): _S,
    ("GET", "/sites/{key}/charts/{tag}.json"): _S,
    ("GET", "/sites/{key}/contact-chart.json"): _S,
    ("GET", "/sites/{key}/polls"): _S,
    ("GET", "/sites/{key}/drive"): _S,
    ("GET", "/sites/{key}/drive.html"): _S,
    ("GET", "/sites/{key}/drive/desk-test"): _S,
    ("GET", "/findings/{key}"): _S,
    ("GET", "/findings/{key}/chart.json"): _S,
    ("GET", "/findings/past/{number}"): _S,
    ("GET", "/findings/past/{number}/chart.json"): _S,
    ("GET", "/gateways"): _S,
    ("GET", "/gateways/{key}"): _S,
    ("GET", "/stream/gateways/{key}"): _S,
    ("GET", "/reliability"): _S,
    ("GET", "/reliability.csv"): _S,
    ("GET", "/reliability/compare"): _S,
    ("GET", "/reliability/{key}"): _S,
    ("GET", "/findings"): _S,
    ("GET", "/findings.csv"): _S,
    ("GET", "/api/v1/findings"): _S,
    ("GET", "/reports"): _S,
    ("GET", "/reports/reliability"): _S,
    ("GET", "/reports/round"): _S,
    ("GET", "/reports/kept/{name}"): _S,
    ("GET", "/widgets"): _S,
    ("GET", "/api/docs"): _S,
    ("GET", "/api/v1/openapi.json"): _S,
    ("GET", "/api/v1/sites"): _S,
    ("GET", "/api/v1/sites/{key}"): _S,
    ("GET", "/api/v1/sites/{key}/polls"): _S,
    ("GET", "/api/v1/sites/{key}/points/{tag}/readings"): _S,
    ("GET", "/api/v1/gateways"): _S,
    ("GET", "/api/v1/reliability"): _S,
    ("GET", "/api/v1/jobs/{number}"): _S,
    ("GET", "/export"): _S,
    ("GET", "/export/size"): _S,
    ("GET", "/export/list"): _S,
    ("GET", "/api/v1/export"): _S,
    ("GET", "/api/v1/exports/{number}"): _S,
    # having files made: it takes an account, so that no stranger fills the disk
    ("POST", "/export"): Right.EXPORT,
    ("POST", "/api/v1/exports"): Right.EXPORT,
    ("POST", "/reports/months"): Right.EXPORT,
    # acting on a site
    ("POST", "/sites/{key}/poll"): _P,
    ("POST", "/sites/{key}/desk-test"): _P,
    ("POST", "/api/v1/sites/{key}/poll"): _P,
    ("POST", "/api/v1/sites/{key}/desk-test"): _P,
    ("POST", "/sites/{key}/drive/desk-test"): _P,
    ("POST", "/sites/{key}/drive/leaving"): Right.NOTE,
    ("POST", "/sites/{key}/drive/back"): Right.NOTE,
    ("POST", "/sites/{key}/notes"): Right.NOTE,
    ("POST", "/api/v1/sites/{key}/notes"): Right.NOTE,
    ("POST", "/findings/{number}/word"): Right.NOTE,
    ("POST", "/api/v1/findings/{number}/word"): Right.NOTE,
    ("POST", "/sites/{key}/acts"): _M,
    ("POST", "/sites/{key}/acts/end"): _M,
    ("POST", "/api/v1/sites/{key}/maintenance"): _M,
    ("DELETE", "/api/v1/sites/{key}/maintenance"): _M,
    ("POST", "/api/v1/sites/{key}/not-polled"): _M,
    ("DELETE", "/api/v1/sites/{key}/not-polled"): _M,
    # changing the network by forms
    ("GET", "/setup"): _C,
    # changing the network by files, and taking changes back
    # finding and testing a site
    # proving a site's points
    ("GET", "/sites/{key}/check-out"): _S,
    ("GET", "/sites/{key}/check-out/live"): _S,
    ("POST", "/sites/{key}/check-out"): _V,
    ("POST", "/sites/{key}/check-out/take"): _V,
    ("POST", "/sites/{key}/check-out/result"): _V,
    ("POST", "/sites/{key}/check-out/adjust"): _V,
    ("POST", "/sites/{key}/check-out/tolerance"): _V,
    ("POST", "/sites/{key}/check-out/leave"): _V,
    ("GET", "/sites/{key}/check-out/paper"): _S,
    ("GET", "/sites/{key}/check-out/from-paper"): _S,
    ("POST", "/sites/{key}/check-out/from-paper"): _V,
    ("GET", "/sites/{key}/proofs"): _S,
    ("GET", "/proofs/{number}"): _S,
    ("GET", "/proofs/{number}/record.json"): _S,
    ("POST", "/proofs/{number}/said"): _V,
    ("POST", "/proofs/{number}/sign"): _V,
    ("POST", "/proofs/{number}/repeat"): _V,
    ("POST", "/commissioning/photos/{number}"): _V,
    ("GET", "/commissioning/photos/{number}"): _S,
    ("POST", "/commissioning/photos/{number}/remove"): _V,
    # hardware, what is due, seasons, hand readings, retired sites
    # listening to a line
    ("GET", "/gateways/{key}/line"): _L,
    ("POST", "/gateways/{key}/line"): _L,
    ("GET", "/gateways/{key}/line/rows"): _L,
    ("GET", "/gateways/{key}/line.txt"): _L,
    # one's own account
    ("GET", "/account"): _O,
    ("POST", "/account/password"): _O,
    ("POST", "/account/sessions/end"): _O,
    ("POST", "/account/tokens"): _O,
    ("POST", "/account/tokens/end"): _O,
    # the others
    ("GET", "/people"): _H,
    ("POST", "/people"): _H,
    ("POST", "/people/{name}/role"): _H,
    ("POST", "/people/{name}/close"): _H,
    ("POST", "/people/{name}/open"): _H,
    ("POST", "/people/{name}/link"): _H,
    ("POST", "/people/{name}/sessions/end"): _H,
    ("POST", "/people/tokens/end"): _H,
    # how the record is kept
    ("GET", "/storage"): _S,
    ("GET", "/storage/job"): _S,
    ("GET", "/api/v1/storage"): _S,
    ("POST", "/storage/backup"): _K,
    ("POST", "/storage/measure"): _K,
    ("POST", "/storage/plan"): _K,
    ("POST", "/storage/polls"): _K,
    ("GET", "/audit"): _A,
    ("GET", "/audit.csv"): _A,
    ("GET", "/api/v1/audit"): _A,
}

# OWASP ASVS 5.0.0, 7.5.1 and 7.5.3: before changes of accounts and very sensitive acts.
FRESH: Final = {
    ("POST", "/account/tokens"),
    ("POST", "/people"),
    ("POST", "/people/{name}/role"),
    ("POST", "/people/{name}/close"),
    ("POST", "/people/{name}/open"),
    ("POST", "/people/{name}/link"),
    ("POST", "/storage/polls"),  # it gives up polls
}

# Only a person who signed in may use these; a script's token could otherwise make more tokens,
# and carry off what opens every lock.
IN_PERSON: Final = frozenset({Right.OWN, Right.PEOPLE, Right.LOCKS})
