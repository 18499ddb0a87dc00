"""The page that links a batch's results: all reachable, nothing taken as markup. Common practice."""

from html.parser import HTMLParser
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import unquote

import pytest

from culmbook.batch.index import Progress, closing_words, index_page
from culmbook.batch.season import blank_scope

HOSTILE = "<script>alert(1)</script> & \"quoted\" 'too' $x$ *b* \\ @"


def notebook(status="done", reason=""):
    return {"status": status, "reason": reason, "seconds": 1.2}


def record(**scopes):
    return {"season": 2025, "culmbook": "0.1.0", "data": "data/demo", "scopes": scopes}


def done(**more):
    files = {"S1_2025.pdf": "h", "tables.xlsx": "h", "tables/20-shares.csv": "h"}
    return (
        blank_scope()
        | {
            "status": "done",
            "headline": "80 % lived.",
            "files": files,
            "n_pages": 9,
            "notebooks": {"20_establishment": notebook()},
        }
        | more
    )


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.links, self.words = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.links += [value for name, value in attributes if name in ("href", "src")]

    def handle_data(self, data):
        self.words.append(data)


def test_index_page_links_report_tables_notebooks_and_record():
    page = Page(index_page(record(S1=done())))
    assert set(page.links) == {
        "S1/S1_2025.pdf",
        "S1/tables.xlsx",
        "S1/tables/20-shares.csv",
        "S1/notebooks/20_establishment.ipynb",
        "run.json",
    }
    assert "80 % lived." in page.words and "1 site: 1 complete." in page.words


def test_index_page_needs_nothing_from_elsewhere():
    text = index_page(record(S1=done()))
    assert "http" not in text and "url(" not in text and "@import" not in text
    assert not {"script", "link", "img", "iframe"} & set(Page(text).tags)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: r["scopes"]["S1"].update(headline=HOSTILE),
        lambda r: r["scopes"]["S1"].update(reason=HOSTILE),
        lambda r: r["scopes"]["S1"].update(notes=[HOSTILE]),
        lambda r: r["scopes"]["S1"]["notebooks"].update(x=notebook("failed", HOSTILE)),
        lambda r: r.update(network={"sites_refused": [HOSTILE]}),
        lambda r: r.update(network={"report": {"network": HOSTILE, "notice": ""}}),
        lambda r: r.update(network={"report": {"network": "", "notice": HOSTILE}}),
        lambda r: r.update(network={"site_names": {"S1": HOSTILE}}),
    ],
)
def test_index_page_prints_hostile_text_as_typed(spoil):
    hostile = record(S1=done())
    spoil(hostile)
    page = Page(index_page(hostile))
    assert "script" not in page.tags and HOSTILE in "".join(page.words)


def test_index_page_quotes_file_names_in_links():
    page = Page(index_page(record(S1=done(files={'tables/a b#?"<é>.csv': "h"}))))
    assert any(
        unquote(link) == 'S1/tables/a b#?"<é>.csv' and "#" not in link and " " not in link
        for link in page.links
    )


def test_index_page_says_each_status_in_words_and_why():
    page = Page(
        index_page(
            record(
                A=done(status="incomplete", notes=["2 rows were refused."]),
                B=done(status="failed", reason="notebook 20: bad"),
                C=blank_scope() | {"status": "stopped", "reason": "plots.csv was refused."},
                D=blank_scope() | {"status": "unfinished"},
                network=done(),
            )
        )
    )
    words = "".join(page.words)
    for said in (
        "4 sites: 1 incomplete, 1 failed, 1 stopped, 1 not finished.",
        "2 rows were refused.",
        "notebook 20: bad",
        "plots.csv was refused.",
        "All sites",
    ):
        assert said in words
    assert not [link for link in page.links if link.startswith(("C/", "D/"))]


def test_index_page_puts_the_network_first_and_tells_a_reason_once():
    failed = done(
        status="failed",
        reason="notebook 20: division by zero",
        notes=["Section 20: division by zero"],
        notebooks={"20": notebook("failed", "division by zero")},
    )
    text = index_page(record(A=failed, network=done()))
    assert text.index("All sites") < text.index(">A<") and "Section 20" not in text


def test_index_page_names_the_network_and_says_its_notice():
    about = {
        "report": {"network": "grass trials", "notice": "Not for sale."},
        "site_names": {"S1": "First site"},
    }
    words = Page(index_page({**record(S1=done()), "network": about})).words
    assert (
        words.count("grass trials: season 2025") == 1
        and "Not for sale." in words
        and "First site" in words
    )
    assert "Season 2025" in Page(index_page(record(S1=done()))).words


@pytest.mark.parametrize("status", ["provisional", "incomplete"])
def test_headline_and_status_word_stand_beside_what_is_missing(status):
    entry = done(status=status, notes=["No early-summer count yet."])
    words = Page(index_page(record(S1=entry))).words
    assert status in words and "80 % lived." in words and "No early-summer count yet." in words
    closing = {**record(S1=entry), "asked": ["S1"], "network": {"sites_refused": []}}
    closing |= {"kept": [], "held": {}}
    said, all_well = closing_words(closing, Path("out"))
    assert said.splitlines()[0] == f"S1  {status}: 80 % lived." and all_well


def test_index_page_opens_with_the_glance_and_links_short_reports_and_hybrids():
    made = record(S1=done())
    files = {"S1/S1_2025.pdf": "h", "network/hybrids_2025.pdf": "h", "network/glance.html": "h"}
    made["pages"] = {"files": files, "n_pages": {"S1": 7}, "reason": ""}
    made["scopes"]["S1"]["files"] = {"S1_2025_record.pdf": "h"}
    glance = "<html><head><title>x</title></head><body><p>One glance.</p></body></html>"
    page = index_page(made, glance)
    assert page.index("One glance.") < page.index('id="S1"') and page.count("<title>") == 1
    assert 'href="S1/S1_2025.pdf">Report (PDF, 7 pages)' in page
    assert 'href="S1/S1_2025_record.pdf">Full record (PDF' in page
    assert 'href="network/hybrids_2025.pdf"' in page


def test_a_hostile_data_folder_is_printed_as_typed():
    page = Page(index_page(record(S1=done()) | {"data": "/home/someone/<b>a & b"}))
    assert "b" not in page.tags and "<b>a & b" in "".join(page.words)


def test_index_page_does_not_tell_where_the_data_lie_on_this_machine():
    assert "/home/someone" not in index_page(record(S1=done()) | {"data": "/home/someone/trials"})


def told(usual, *took, jobs=1):
    """Lines of a run that is no terminal's: what each job took in the last run, and in this one."""
    stream = StringIO()
    progress = Progress(stream)
    progress.planned(usual, jobs)
    for name, seconds in zip(usual, took, strict=False):
        job = SimpleNamespace(scope=name.split()[0], name=name.split()[1])
        progress.began(job)
        progress.ended(job, {"status": "done", "reason": "", "seconds": seconds})
    return stream.getvalue().splitlines()


def test_what_is_left_goes_by_the_last_run_and_the_pace_of_this_one():
    usual = {"S1 10": 10.0, "S1 report": 20.0, "S2 10": None, "season pages": 5.0}
    lines = told(usual, 20.0, 40.0, 1.0, 2.0)
    # twice as slow: 2 (20 + mean of the three known + 5)
    assert lines[0] == "S1 10: 20.0 s (1 of 4, about 1 min 10 s left)"
    assert lines[1] == "S1 report: 40.0 s (2 of 4, about 33 s left)"
    assert lines[3] == "season pages: 2.0 s (4 of 4)"
    assert told(usual, 20.0, jobs=2)[0].endswith("(1 of 4, about 40 s left)")  # the longest one


def test_a_first_run_goes_by_what_its_own_jobs_took():
    usual = dict.fromkeys(["S1 10", "S1 report", "season pages"])
    assert told(usual, 31.0)[0] == "S1 10: 31.0 s (1 of 3, about 1 min left)"
