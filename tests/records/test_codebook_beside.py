"""A codebook of one's own beside the export is used without being named."""

import shutil

from toolkit.records.records import load_records
from toolkit.resources import dataset_file


def test_the_codebook_beside_an_export_is_used_without_being_named(tmp_path):
    for name in ("sessions.csv", "columns.toml", "codebook.toml"):
        shutil.copy(dataset_file(f"open/depression_trial/{name}"), tmp_path / name)
    assert set(load_records(tmp_path / "sessions.csv").rows["measure"].astype(str)) == {"depression_inventory"}
