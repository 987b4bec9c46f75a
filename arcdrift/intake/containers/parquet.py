"""Write Parquet files as CSV text.

The column names are line 1 and row n is line n + 1, as in a spreadsheet. Times with a zone are
options with their UTC offset. A null or NaN becomes an empty cell.
"""

import io

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from pyarrow import csv as arrow_csv

from arcdrift.errors import BadInput
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES

MAX_CELLS = 300_000_000
_BATCH_ROWS = 16_384


def parquet_text(
    content: bytes, name: str, *, max_bytes: int, delimiter: str = ",", decimal: str = "."
) -> bytes:
    """Write a Parquet file as UTF-8 text.

    Parameters
    ----------
    content : bytes
        The file.
    name : str
        File name for messages.
    max_bytes : int
        Largest size of the text.
    delimiter, decimal : str
        Delimiter and decimal sign to write, so that a layout made for CSV fits.

    Raises
    ------
    BadInput
        When the file is damaged, too large, or has a column that is no column of a table.
    """
    too_large = f"{name} unpacks to more than {max_bytes / (1 << 20):.0f} MiB; split it."
    try:
        schema = pq.read_schema(pa.BufferReader(content))
        file = pq.ParquetFile(
            pa.BufferReader(content),
            # each distinct text once, so that its length is checked before it is repeated
            read_dictionary=[column.name for column in schema if _is_text(column.type)],
        )
        metadata = file.metadata
        unpacked = sum(
            metadata.row_group(group).total_byte_size for group in range(metadata.num_row_groups)
        )
        if metadata.num_rows * metadata.num_columns > MAX_CELLS or unpacked > max_bytes:
            raise BadInput(too_large)
        out = io.BytesIO()
        options = _options(delimiter, head=True)
        arrow_csv.write_csv(_header_table(schema.names).slice(0, 0), out, options)
        for batch in file.iter_batches(_BATCH_ROWS):
            cells = [
                _text_cells(column, field.name, name, decimal)
                for column, field in zip(batch.columns, schema, strict=True)
            ]
            if sum(column.nbytes for column in cells) + out.tell() > max_bytes:
                raise BadInput(too_large)
            lines = pa.table(cells, names=[str(number) for number in range(len(cells))])
            arrow_csv.write_csv(lines, out, _options(delimiter, head=False))
    except pa.ArrowNotImplementedError:
        raise BadInput(f"{name} is options in a way that is not known; save it as CSV.") from None
    except (pa.ArrowException, OSError, UnicodeDecodeError):
        raise BadInput(f"{name} is damaged; copy the file again.") from None
    return out.getvalue()


def _options(delimiter: str, *, head: bool) -> arrow_csv.WriteOptions:
    return arrow_csv.WriteOptions(include_header=head, delimiter=delimiter, quoting_style="needed")


def _header_table(names: list[str]) -> pa.Table:
    clean = [" ".join(name.splitlines()) for name in names]
    return pa.table([pa.array([], pa.string())] * len(clean), names=clean)


def _is_text(kind: pa.DataType) -> bool:
    return bool(
        pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_binary(kind)
    )


def _text_cells(column: pa.Array, column_name: str, name: str, decimal: str) -> pa.Array:
    """Cells of one column of a batch as text without line breaks."""
    kind, types = column.type, pa.types
    if types.is_dictionary(kind):
        words = column.dictionary
        if _is_text(words.type):
            longest = pc.max(pc.binary_length(words)).as_py() or 0
            if longest > MAX_LINE_BYTES:
                raise BadInput(
                    f"Column {column_name!r} of {name} has a text of {longest:,} bytes; "
                    f"it is no log."
                )
        words = _text_cells(words, column_name, name, decimal)
        return words.take(column.indices)
    if _is_text(kind):
        return pc.replace_substring_regex(column.cast(pa.string()), r"\r\n|\r|\n", " ")
    if types.is_boolean(kind):
        return pc.if_else(column, "TRUE", "FALSE")
    if types.is_floating(kind):
        whole = pc.if_else(pc.is_nan(column), pa.scalar(None, kind), column)
        return _with_decimal(whole.cast(pa.string()), decimal)
    if types.is_decimal(kind):
        return _with_decimal(column.cast(pa.string()), decimal)
    if types.is_timestamp(kind) and kind.tz is not None:
        return pc.strftime(column, format="%Y-%m-%dT%H:%M:%S%z")
    if types.is_integer(kind) or (types.is_temporal(kind) and not types.is_duration(kind)):
        return column.cast(pa.string())
    if types.is_null(kind):
        return pa.nulls(len(column), pa.string())
    raise BadInput(
        f"Column {column_name!r} of {name} holds {kind}, not plain values; leave it out."
    )


def _with_decimal(text: pa.Array, decimal: str) -> pa.Array:
    return text if decimal == "." else pc.replace_substring(text, ".", decimal)
