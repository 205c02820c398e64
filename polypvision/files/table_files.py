"""Tables of any length written piece by piece, so that memory does not grow with their rows."""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import BinaryIO, Literal

import pandas as pd
import pyarrow as pa
from pyarrow.parquet import ParquetWriter

from polypvision.columns import Column, table
from polypvision.files.outputs import output_error, writing_whole

TableForm = Literal["csv", "parquet"]
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""What spreadsheets take for the beginning of a formula, the wide forms of East Asia among them."""
ROWS_TOGETHER = 100_000
"""Rows of a Parquet row group: many, for a reader skips and decodes group by group; few enough for
some ten megabytes of memory (the format's own advice, 512 MB and more, is for clusters)."""


def without_formulas(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table in which no spreadsheet finds a formula: such text gets a ' before it.

    Numbers stay as they are. Source: OWASP, CSV Injection (from memory).
    """
    words = [name for name in frame.columns if not pd.api.types.is_numeric_dtype(frame[name])]
    return frame.assign(**{name: frame[name].map(_no_formula) for name in words})


def _no_formula(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


class _CsvFile:
    """CSV (RFC 4180, UTF-8), without formulas; a missing value is an empty field."""

    def __init__(self, file: BinaryIO, columns: tuple[Column, ...]) -> None:
        self._file = file
        self._write(table((), columns), head=True)

    def _write(self, frame: pd.DataFrame, *, head: bool) -> None:
        plain = without_formulas(frame)
        self._file.write(plain.to_csv(index=False, header=head, lineterminator="\r\n").encode())

    def add(self, frame: pd.DataFrame) -> None:
        if len(frame):
            self._write(frame, head=False)

    def close(self) -> None:
        """Nothing is held back."""

    abandon = close


class _ParquetFile:
    """Parquet, in row groups of `ROWS_TOGETHER`."""

    def __init__(self, file: BinaryIO, columns: tuple[Column, ...]) -> None:
        # Of an empty table, so that every piece has the types of `columns.py`, whatever it holds.
        self._schema = pa.Schema.from_pandas(table((), columns), preserve_index=False)
        self._writer = ParquetWriter(file, self._schema, compression="zstd")
        self._held: list[pa.Table] = []

    def add(self, frame: pd.DataFrame) -> None:
        if len(frame):
            self._held.append(
                pa.Table.from_pandas(frame, schema=self._schema, preserve_index=False)
            )
        n_held = sum(one.num_rows for one in self._held)
        if n_held >= ROWS_TOGETHER:
            self._let_go(n_held - n_held % ROWS_TOGETHER)

    def _let_go(self, n_rows: int) -> None:
        held = pa.concat_tables(self._held)
        self._writer.write_table(held.slice(0, n_rows), row_group_size=ROWS_TOGETHER)
        self._held = [held.slice(n_rows)] if held.num_rows > n_rows else []

    def close(self) -> None:
        if self._held:
            self._let_go(sum(one.num_rows for one in self._held))
        self._writer.close()

    def abandon(self) -> None:
        with suppress(OSError):
            self._writer.close()
        # Else it would try once more when it is forgotten, on a file that is closed by then.
        self._writer.is_open = False


_FILES: dict[TableForm, type[_CsvFile] | type[_ParquetFile]] = {
    "csv": _CsvFile,
    "parquet": _ParquetFile,
}


class TableFiles:
    """Several tables, each in several forms, written side by side.

    To be used in a ``with`` statement: the files are there, whole, once it ends without error.

    Parameters
    ----------
    folder : Path
    tables : mapping of str to tuple of Column
        Columns by the table's name, which is the file's.
    forms : sequence of {'csv', 'parquet'}

    Attributes
    ----------
    paths : list of Path
        Of all files, form by form.
    """

    def __init__(
        self, folder: Path, tables: Mapping[str, tuple[Column, ...]], forms: Sequence[TableForm]
    ) -> None:
        self._tables = tables
        self._targets = [
            (folder / f"{name}.{form}", name, _FILES[form]) for form in forms for name in tables
        ]
        self.paths = [path for path, _, _ in self._targets]
        self._stack = ExitStack()
        self._open: list[tuple[Path, str, _CsvFile | _ParquetFile]] = []

    def __enter__(self) -> "TableFiles":
        """Begin all files.

        Raises
        ------
        OutputError
        """
        with ExitStack() as stack:
            for path, name, form in self._targets:
                file = stack.enter_context(writing_whole(path))
                self._open.append((path, name, form(file, self._tables[name])))
            self._stack = stack.pop_all()
        return self

    def add(self, name: str, frame: pd.DataFrame) -> None:
        """Write rows of a table.

        Raises
        ------
        OutputError
        """
        for path, own, file in self._open:
            if own == name:
                try:
                    file.add(frame)
                except OSError as error:
                    raise output_error(path, error) from error

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        """End all files, or leave none of them behind after an error."""
        with self._stack:
            try:
                if error is not None:
                    raise error
                for path, _, file in self._open:
                    self._closed(path, file)
            except BaseException:
                for _, _, file in self._open:
                    file.abandon()
                raise

    @staticmethod
    def _closed(path: Path, file: "_CsvFile | _ParquetFile") -> None:
        try:
            file.close()
        except OSError as error:
            raise output_error(path, error) from error
