"""A study as one self-contained HTML page."""

from html import escape

from monitor.recording import Recording
from monitor.results import Study


def report_html(study: Study, recording: Recording) -> str:
    """The page; the same study gives the same text."""
    name = escape(study.bench)
    rows = "".join(
        f"<tr><th scope=row>{escape(label)}</th><td>{i.serves_as_reference}</td><td>{escape(i.why)}</td></tr>"
        for label, i in study.instruments.items()
    )
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{name}</title><h1>{name}</h1>'
        f"<table><caption>Would a careful tester use it as a reference?</caption>{rows}</table></html>\n"
    )
