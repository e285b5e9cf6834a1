"""The book on PostgreSQL: guards, rights, what is said when it cannot be opened."""

from __future__ import annotations

import psycopg


def test_the_server_of_the_tests_runs_and_gives_empty_databases(postgres_database: str) -> None:
    with psycopg.connect(postgres_database) as connection:
        (version,) = connection.execute("SELECT current_setting('server_version_num')::int").fetchone() or (0,)
        tables = connection.execute("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'").fetchone()
    assert version >= 130000
    assert tables == (0,)
