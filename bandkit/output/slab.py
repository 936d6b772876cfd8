"""The folder of one slab: tables, document, figure and report, whole or not at all."""

from __future__ import annotations

from pathlib import Path

from bandkit.output.atomic import write_bytes_synced, write_folder_whole
from bandkit.output.document import RESULT_FILE, result_text
from bandkit.output.folders import slab_folder, specimen_id
from bandkit.output.tables import TABLE_FILES, TABLES_WITH_ROWS, table_csv
from bandkit.results import SlabResult

FIGURE_FILE = "figure.png"
REPORT_FILE = "report.html"


def write_slab(result: SlabResult, out: Path) -> Path:
    """Write everything that was measured on one slab.

    Parameters
    ----------
    result : SlabResult
        The measured slab.
    out : Path
        Folder that receives one folder named after the specimen.

    Returns
    -------
    Path
        The slab's folder.

    Raises
    ------
    OutputError
        When the folder cannot be written; what was there before is kept.
    """
    contents = slab_contents(result)
    folder = slab_folder(Path(out), specimen_id(result))

    def fill(hidden: Path) -> None:
        for name, content in contents.items():
            write_bytes_synced(hidden / name, content)

    write_folder_whole(folder, fill)
    return folder


def slab_contents(result: SlabResult) -> dict[str, bytes]:
    """All files of a slab's folder, ready to be written.

    Parameters
    ----------
    result : SlabResult
        The measured slab.

    Returns
    -------
    dict of str to bytes
        Content by file name.
    """
    # Imported here: matplotlib and jinja2 are slow to load and not needed to read results or join tables.
    from bandkit.output.figure import png_bytes, slab_figure
    from bandkit.output.report import report_html

    figure_png = png_bytes(slab_figure(result))
    texts = {
        file: table_csv(table)
        for name, file in TABLE_FILES.items()
        if len(table := result.table(name)) or name not in TABLES_WITH_ROWS
    }
    texts[RESULT_FILE] = result_text(result)
    texts[REPORT_FILE] = report_html(result, figure_png)
    contents = {name: text.encode("utf-8", errors="replace") for name, text in texts.items()}
    return {**contents, FIGURE_FILE: figure_png}
