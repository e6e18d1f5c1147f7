"""Words of an alarm are kept by its number, in both dialects, and follow its names."""

from sqlalchemy import select, update
from tests.dialects import both_dialects

from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.alarms.rationalised import Written
from tallymast.domain.model import Priority
from tallymast.storage import alarm_rows, alarms, rationalised, schema

from .conftest import Planted

pytestmark = both_dialects

AT = 1_772_964_000_000
HIGH = Alarm("weir-1/LVL/high", Kind.HIGH, Priority.HIGH, "weir-1", "LVL")
SILENT = Alarm("weir-1//comm-fail", Kind.COMM_FAIL, Priority.NORMAL, "weir-1")
LONG = Written(
    Priority.URGENT, "Überlauf → Straße. " * 31, "“Wet” \\ 'feet'", "Ring.", "r.hale", AT
)


def test_they_are_kept_whole_follow_a_new_name_and_rest_with_their_alarm(planted: Planted) -> None:
    some = Written(response="Drive there.", actor="m.okoro", at_ms=AT + 1)
    database = planted.database
    with database.writing() as conn:
        alarm_rows.enter(conn, {one.key: one for one in (HIGH, SILENT)}, AT)
        numbers = alarms.ids(conn)
        assert rationalised.of_alarm(conn, numbers[HIGH.key]).is_empty
    version = database.data_version()
    with database.writing() as conn:
        rationalised.keep(conn, numbers[HIGH.key], LONG)
        rationalised.keep(conn, numbers[SILENT.key], some)
    assert database.data_version() != version  # whoever serves pages elsewhere reads them anew
    with database.writing() as conn:
        assert rationalised.of_alarm(conn, numbers[HIGH.key]) == LONG
        assert rationalised.in_force(conn) == {HIGH.key: LONG, SILENT.key: some}
        conn.execute(update(schema.site).values(key="weir-2"))
        keys = {*rationalised.in_force(conn)}
        assert keys == {HIGH.key, SILENT.key, "weir-2/LVL/high", "weir-2//comm-fail"}
        alarm_rows.enter(conn, {}, AT + 2)
        assert rationalised.in_force(conn) == {}
        assert [one.is_set_up for one in rationalised.every(conn)] == [False, False]
        rationalised.keep(conn, numbers[HIGH.key], Written(at_ms=AT + 3))
        assert [one.written for one in rationalised.every(conn)] == [some]
        rows = conn.execute(select(schema.setting.c.key)).scalars().all()
        assert f"alarm-words:{numbers[HIGH.key]}" not in rows
