"""One Spark session for all tests of a registry, started when it is first needed and stopped at the end."""

from __future__ import annotations

import os

import pytest

import start


@pytest.fixture(scope="session")
def spark():
    """Spark within this machine; without Java the test is skipped, in CI it fails."""
    if not start.find_java():
        if os.environ.get("CI"):
            pytest.fail("No Java was found, and in CI the tests of a registry on Spark must run.")
        pytest.skip("no Java on this machine")
    from pyspark.sql import SparkSession

    os.environ.setdefault("SPARK_LOCAL_IP", "127.0.0.1")
    quiet = {
        "spark.ui.enabled": "false",
        "spark.driver.memory": "1g",
        "spark.driver.host": "127.0.0.1",
        "spark.driver.bindAddress": "127.0.0.1",
        "spark.sql.shuffle.partitions": "2",
        "spark.sql.session.timeZone": "UTC",
        "spark.ui.showConsoleProgress": "false",
    }
    builder = SparkSession.builder.master("local[2]").appName("registry tests")
    for name, value in quiet.items():
        builder = builder.config(name, value)
    session = builder.getOrCreate()
    session.sparkContext.setLogLevel("ERROR")
    yield session
    session.stop()


@pytest.fixture(params=["duckdb", "spark"])
def engine(request):
    """Both engines, one after the other: None is DuckDB."""
    return None if request.param == "duckdb" else request.getfixturevalue("spark")
