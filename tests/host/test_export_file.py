"""Two files that belong together are both there or neither is."""

import pytest

from pitscribe.commands.export_file import whole_files
from pitscribe.errors import ConfigError


def test_where_the_second_of_two_files_cannot_be_put_the_first_is_taken_away_again(tmp_path):
    """Else somebody else's table would have beside it what ours says of its columns, and an import would believe it."""
    beside, table = tmp_path / "cook.csv-metadata.json", tmp_path / "cook.csv"

    def write_both():
        with whole_files(beside, table, replace=False) as (words, file):
            words.write(b"ours")
            file.write(b"ours")
            table.write_bytes(b"theirs")  # comes to be meanwhile

    with pytest.raises(ConfigError, match="is there already"):
        write_both()
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"cook.csv": b"theirs"}
