"""Ready to send: one message and one folder for each grower; nothing is sent from here.

The message (EML, opens as a draft in mail programs) says the answer in plain text in the grower's language and
carries the report. The folder (ZIP) holds the report as page and PDF and its numbers as a workbook and CSV. The
records hold no addresses, so the message has none: whoever sends it fills them in.
"""

from __future__ import annotations

import hashlib
import io
import re
import zipfile
from collections.abc import Mapping
from email.message import EmailMessage
from email.policy import SMTP

from olivetime.languages import say
from olivetime.report import front, tables
from olivetime.words import count_text, day_text, display_unit, number_text

FIRST_BLOCKS = 12  # rows of the order that a message lists; the report has all


def summary_text(own: tables.Week) -> str:
    """Say a grower's week in plain text.

    Parameters
    ----------
    own : Week
        One grower's part, from `olivetime.report.tables.grower_week`.

    Returns
    -------
    str
        Heading, answer, the first rows of the order, cautions; lines end in a line feed.
    """
    info = own.info
    crop = display_unit(info, "crop")
    rows = tables.planned(own)
    lines = [_one_line(f"{info['name']}, {day_text(info['as_of'], info, 'yMMMd')}"), _one_line(str(info["grower"])), ""]
    lines += [_one_line(" ".join(part for part in front.answer(own, "grower_report") if part)), ""]
    for row in rows.head(FIRST_BLOCKS).to_dict("records"):
        tons = number_text(crop.of(row["crop_t"]), info, crop.digits)
        oil = number_text(row["oil_fresh_pct"], info, 1)
        what = say("{tons} {unit}, oil {oil} % of fresh weight", info, tons=tons, unit=crop.label, oil=oil)
        lines.append(_one_line(f"{int(row['rank'])}. {row['block_name']}: {tables.when_text(row, own)}; {what}"))
    if len(rows) > FIRST_BLOCKS:
        more = count_text(len(rows) - FIRST_BLOCKS, "block", info=info)
        lines.append(say("and {blocks} more in the report", info, blocks=more))
    lines += ["", *(f"- {_one_line(text)}" for text in tables.cautions("grower_report", info))]
    return "\n".join(lines).strip() + "\n"


def ready_to_send(own: tables.Week, report: Mapping[str, bytes], numbers: Mapping[str, bytes]) -> dict[str, bytes]:
    """Message and folder for one grower.

    Parameters
    ----------
    own : Week
        One grower's part.
    report : mapping
        ".html" and, where it could be made, ".pdf" -> bytes.
    numbers : mapping
        File name, such as "numbers/blocks.csv" -> bytes.

    Returns
    -------
    dict
        ".eml" and ".zip" -> bytes; the same inputs give the same bytes.
    """
    words = summary_text(own)
    stem = f"{own.info['as_of']}-{own.info['grower_id']}"
    files = {f"{stem}{ending}": data for ending, data in report.items() if ending in (".html", ".pdf")}
    return {
        ".eml": _message(own, words, files),
        ".zip": _folder({"summary.txt": words.encode(), **files, **numbers}),
    }


def _message(own: tables.Week, words: str, files: Mapping[str, bytes]) -> bytes:
    message = EmailMessage(policy=SMTP)
    day = day_text(own.info["as_of"], own.info, "yMMMd")
    message["Subject"] = _one_line(say("Your blocks, {day}: {grower}", own.info, day=day, grower=own.info["grower"]))
    message["X-Unsent"] = "1"  # mail programs that know it open the file as a draft
    message.set_content(words, cte="quoted-printable")
    name = next((name for name in files if name.endswith(".pdf")), next(iter(files)))
    kind = ("application", "pdf") if name.endswith(".pdf") else ("text", "html")
    message.add_attachment(files[name], maintype=kind[0], subtype=kind[1], filename=name)
    message.set_boundary(f"=_{hashlib.sha256(words.encode() + files[name]).hexdigest()[:32]}")  # else a random one
    return message.as_bytes()


def _folder(files: Mapping[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as folder:
        for name, data in files.items():
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))  # no clock: the same files, the same bytes
            entry.external_attr = 0o644 << 16
            folder.writestr(entry, data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _one_line(text: str) -> str:
    """Text without line ends and control signs, so that no name can add a header or a line of its own."""
    return " ".join(re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]", " ", text).split())
