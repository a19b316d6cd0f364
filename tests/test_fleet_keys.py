"""What the keys of hub and owner show and refuse in the fleet commands: real SeaweedFS."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from logger.config.load import RemoteOptions, Sections, StationOptions
from logger.errors import RefusedError
from logger.fleet.push import push
from logger.fleet.remote import Remote, open_here
from logger.store.writer import StoreWriter
from tests.foreign_years import make_years, write_store
from tests.servers import HUB_KEY, OWNER_KEY, PREFIX, ObjectStore, object_store
from tests.station import mismatchd

pytestmark = pytest.mark.realtime

NOW_NS = 1_796_200_000_000_000_000


def use_key(patch: pytest.MonkeyPatch, server: ObjectStore, key: tuple[str, str]) -> None:
    open_here.cache_clear()  # this process serves several users
    patch.setenv("AWS_ENDPOINT_URL", server.url)
    patch.setenv("AWS_ACCESS_KEY_ID", key[0])
    patch.setenv("AWS_SECRET_ACCESS_KEY", key[1])


def test_each_owner_sees_their_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stores = {}
    for name in ("own", "another"):
        path = tmp_path / f"{name}.sqlite"
        with StoreWriter.open(path) as store:
            write_store(store, make_years(3, years=1, channels=1))
            stores[store.station_id] = path
    own, another = stores
    keys = {number: (f"key-{n}", "secret") for n, number in enumerate(stores)}
    report = ("fleet", "report", PREFIX, "--workers", "1", "--json")
    query = ("fleet", "query", PREFIX, "--format", "csv")
    select = "SELECT DISTINCT station_id FROM transmissions"
    with object_store(tmp_path, keys) as server:
        for number, path in stores.items():
            (tmp_path / "secret").write_text(keys[number][1])
            options = RemoteOptions(
                url=PREFIX,
                endpoint=server.url,
                access_key=keys[number][0],
                secret_key_file=tmp_path / "secret",
            )
            sections = Sections(driver={}, station=StationOptions(name=path.stem))
            push(path, Remote(options, os.environ), sections, NOW_NS)

        use_key(monkeypatch, server, HUB_KEY)
        fleet = json.loads(mismatchd(*report).stdout)
        assert {line["summary"]["name"] for line in fleet["stations"]} == {"own", "another"}
        assert fleet["refused"] == 0
        assert {*mismatchd(*query, select).stdout.split()} == {"station_id", own, another}
        for url in (PREFIX, f"{PREFIX}-again"):  # so that it is no target of recompute
            with pytest.raises(RefusedError):
                open_here(url).put(path, f"station_id={own}/station.parquet")

        use_key(monkeypatch, server, OWNER_KEY)
        fleet = json.loads(mismatchd(*report).stdout)
        assert [line["summary"]["name"] for line in fleet["stations"]] == ["own"]
        assert fleet["stations"][0]["summary"]["transmissions"] > 0
        assert fleet["refused"] == 1
        done = mismatchd(*query, select)
        assert done.stdout.split() == ["station_id", own]
        assert done.stderr == "1 station cannot be read with this key\n"
        for name in ("station.parquet", "calibrations/calibrations.parquet"):
            with pytest.raises(PermissionError):
                server.files(OWNER_KEY).cat_file(f"{PREFIX}/station_id={another}/{name}")

        use_key(monkeypatch, server, keys[own])  # writes only
        done = mismatchd(*query, select, "--station", own, check=False)
        assert (done.returncode, done.stdout) == (1, "")
        assert done.stderr.startswith("mismatchd: this key reads none of the stations")

        use_key(monkeypatch, server, ("x", "y"))
        done = mismatchd(*report, check=False)
        assert done.returncode == 1
        assert done.stdout == ""
        assert "check the key" in done.stderr
