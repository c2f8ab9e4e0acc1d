"""What ``--report`` adds to the files of a result without a time axis."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ems.output import Content

if TYPE_CHECKING:
    import pandas as pd


def page_files(wanted: bool, schema: str, result: Mapping[str, Any], forces: pd.DataFrame | None = None) -> dict[str, Content]:
    """``report.html`` when it is wanted; forces : wheel force over speed, where there is one."""
    if not wanted:
        return {}
    from ems.present.page import REPORT_FILE
    from ems.present.page.report import html
    from ems.present.page.results import result_page

    return {REPORT_FILE: html(result_page(schema, result, forces))}
