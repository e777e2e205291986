"""One reading taken along, and looked at closely."""

from __future__ import annotations

import html
import re
import shutil

import cv2
import numpy as np
import pytest
from phone import PHOTOS
from test_page_views import typed, words

from visioncheck.log.store import Log
from visioncheck.measuring.keep import attach_outcome
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import MeasureRequest, read_rig, read_sled
from visioncheck.photo.load import load_photo
from visioncheck.present.close_up import edges_to_show, render_edge


def test_a_reading_is_one_file_that_holds_all_it_needs(serve):
    page = serve()
    phone = page.phone()
    reading = typed(phone, "corner", angle="90.09", u="0.004deg", note="<b>bold</b>").header("location")
    link = re.search(r'href="(/result/[^"]+)" download', phone.get(reading).text)[1]
    sent = phone.get(link)
    assert "attachment" in sent.header("content-disposition")
    said = words(sent)
    for part in ("Alder Lane", "Outside the tolerance", "RIGHT end BACK, towards you", "Unplug the saw"):
        assert part in said
    assert "<b>bold" not in sent.text
    # it stands alone: no script, nothing fetched from elsewhere, no secret of the page's
    assert not re.findall(r'<script|(?:src|href)="(?!data:)', sent.text)
    assert page.settings.key.token not in sent.text
    assert phone.get("/result/0123456789abcdef.html").status == 404


@pytest.mark.photos
def test_a_reading_is_looked_at_closely_edge_by_edge(serve, rig_file):
    page = serve()
    shutil.copy(rig_file, page.settings.rigs / "own.json")
    rig = read_rig(rig_file)
    outcome = measure_piece(
        MeasureRequest(
            PHOTOS / "corner-2.jpg", None, read_sled(page.settings.sleds / "alder-lane.toml"), rig, PieceOptions()
        )
    )
    with Log.open(page.settings.log) as log:
        entry = attach_outcome(log, outcome)
    phone = page.phone()
    shown = phone.get(f"/look/{entry.id}")
    edges = re.findall(r'src="(/edge/[^"]+)" alt="([^"]+)"', shown.text)
    assert [html.unescape(words).split(",")[0] for _, words in edges] == ["The edge at the fence", "The fresh cut"]
    for path, _ in edges:
        sent = phone.get(path)
        assert sent.header("content-type") == "image/jpeg"
        rows = cv2.imdecode(np.frombuffer(sent.body, np.uint8), cv2.IMREAD_COLOR)
        assert rows.shape[1] == 640
    large = phone.get(f"/close/{entry.id}")
    assert large.status == 200
    assert phone.get(f"/edge/{entry.id}/9").status == 404
    assert "data:image/jpeg;base64," in phone.get(f"/result/{entry.id}.html").text

    # the middle of every row is the edge: the piece below, the sheet above, and the step between them there
    reading = outcome.measured.reading
    photo = load_photo(PHOTOS / "corner-2.jpg")
    for which, role in edges_to_show(reading):
        drawn = cv2.imdecode(np.frombuffer(render_edge(photo, reading, which, role), np.uint8), cv2.IMREAD_COLOR)
        first = cv2.cvtColor(drawn[:81], cv2.COLOR_BGR2LAB).astype(float)
        # between the dashes, where the line hides nothing, and clear of the corners
        columns = [x for x in range(150, 560) if x % 64 > 30]
        above = first[12:28][:, columns].mean(axis=(0, 1))
        below = first[52:68][:, columns].mean(axis=(0, 1))
        middle = first[30:51][:, columns].mean(axis=1)
        share = (middle - above) @ (below - above) / ((below - above) @ (below - above))
        step = 30 + np.interp(0.5, np.maximum.accumulate(share), np.arange(21))
        assert abs(step - 40) < 4, (which, step)
