"""Recorded history: what the agent keeps of it, and how files from elsewhere are read in replay."""

from typing import Annotated, Literal

from pydantic import Field

from agent.config.part import Bool, Int, Number, Part, Text

__all__ = ["Column", "History", "HistoryColumns"]


class Column(Part):
    """A column of files from elsewhere, in other units."""

    column: Annotated[Text, Field(description="Name of the column, as in the file's header.")]
    scale: Annotated[Number, Field(description="Value = number in the file x scale + offset.")] = 1.0
    offset: Annotated[
        Number, Field(description="Value = number in the file x scale + offset [unit of the signal].")
    ] = 0.0


HistoryColumns = dict[str, Text | Column]


class History(Part):
    """Recorded history."""

    record: Annotated[Bool, Field(description="Keep measured signals, under data_dir/history.")] = True
    raw_days: Annotated[
        Int,
        Field(ge=1, le=36500, description="Raw samples are kept this long [d]; hourly values and episodes for ever."),
    ] = 90
    raw_megabytes: Annotated[
        Int, Field(ge=10, description="Most that raw samples may take on disk [MB]; the oldest days go first.")
    ] = 4000
    time_column: Annotated[Text, Field(description="Replay: name of the time column in files from elsewhere.")] = "time"
    time_zone: Annotated[
        str, Field(strict=True, max_length=64, description="Replay: zone of times that name none, as Europe/Oslo.")
    ] = ""
    decimal: Annotated[
        Literal[".", ","], Field(description="Replay: decimal sign of CSV files; with a comma, columns part at ;.")
    ] = "."
    columns: Annotated[
        HistoryColumns, Field(description="Replay: columns by signal, where files do not use the signals' names.")
    ] = Field(default_factory=dict)
