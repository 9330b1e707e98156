"""The page as it is served: who is let in, what is told to whom, a search begun and stopped, and how it ends."""

import http.client
import socket

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from commandline import DESIGN, TARGET
from evenflare import read_design
from workbenches import Listener, served

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("served")
    (made / "cone.toml").write_text(DESIGN)
    (made / "target.toml").write_text(TARGET)
    return made


@pytest.fixture(scope="module")
def page(folder):
    with served("cone.toml", "--target", "target.toml", folder=folder) as made:
        yield made


def answered(page, path, **headers):
    asked = http.client.HTTPConnection("127.0.0.1", page.port, timeout=30)
    asked.request("GET", path, headers=headers)
    got = asked.getresponse()
    body = got.read()
    asked.close()
    return got.status, got.headers, body


def test_only_who_knows_the_token_is_let_in(page):
    assert answered(page, f"/{page.token}/")[0] == 200
    for path in ("/", "/page.js", f"/{page.token[:-1]}x/", "/favicon.ico", f"/x{page.token}/page.js"):
        assert answered(page, path)[0] == 404


def test_another_host_or_origin_is_refused(page):
    own = f"/{page.token}/"
    assert answered(page, own, Host=f"localhost:{page.port}")[0] == 200
    assert answered(page, own, Host="evil.example")[0] == 404
    assert answered(page, own, Host=f"evil.example:{page.port}")[0] == 404
    assert answered(page, own, Origin="http://evil.example")[0] == 404
    address = f"ws://127.0.0.1:{page.port}/{page.token}/live"
    for origin in ("http://evil.example", None, f"https://127.0.0.1:{page.port}"):
        with pytest.raises(InvalidStatus):
            connect(address, origin=origin)
    with pytest.raises(InvalidStatus):
        connect(address.replace(page.token, page.token[::-1]), origin=f"http://127.0.0.1:{page.port}")


def test_nothing_but_the_page_is_served(page):
    for path in ("../cone.toml", "%2e%2e/cone.toml", "cone.toml", "..%2f..%2fetc%2fpasswd", "page.py"):
        assert answered(page, f"/{page.token}/{path}")[0] == 404
    status, headers, body = answered(page, f"/{page.token}/plots.js")
    assert status == 200
    assert len(body) > 1_000_000
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert b"http" not in answered(page, f"/{page.token}/")[2]  # no file from a network


def test_everybody_who_looks_hears_what_one_pulls(page):
    one, other = Listener(page), Listener(page)
    first = one.until("sound")
    one.ask(do="pull", changes={"waveguide/depth_mm": 82.0}, moving=True)
    heard = [each.until("sound", lambda news: news["number"] > first["number"]) for each in (one, other)]
    assert heard[0]["judged"]["score"] == heard[1]["judged"]["score"] != first["judged"]["score"]
    other.close()  # one that goes away stops nothing
    one.ask(do="undo")
    back = one.until("sound", lambda news: news["number"] > heard[0]["number"] and news["curves"]["setting"] == "full")
    assert back["judged"]["score"] == pytest.approx(first["judged"]["score"], abs=2e-3)
    one.socket.send("no message at all")
    assert one.until("said", lambda news: news["bad"])["words"].startswith("The page sent something")
    one.ask(do="save", name="../out")
    assert "must be a name" in one.until("said", lambda news: news["bad"])["words"]
    one.close()


def test_a_browser_that_does_not_read_holds_nobody_up(page):
    one = Listener(page)
    # A socket from which nobody ever reads.
    with socket.create_connection(("127.0.0.1", page.port)) as stuck:
        stuck.sendall(
            f"GET /{page.token}/live HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\n"
            f"Origin: http://127.0.0.1:{page.port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n".encode()
        )
        one.until("sound")
        for depth in range(80, 90):
            one.ask(do="pull", changes={"waveguide/depth_mm": float(depth)}, moving=True)
        shape = one.until("shape", lambda news: news["knobs"][0]["value"] == 89.0)
        assert shape["knobs"][0]["name"] == "waveguide/depth_mm"
        assert shape["can_undo"]
        one.ask(do="undo")
    one.close()


def test_a_server_that_is_killed_loses_only_what_was_not_saved(folder):
    with served("cone.toml", folder=folder) as page:
        one = Listener(page)
        one.ask(do="pull", changes={"waveguide/depth_mm": 84.0})
        one.ask(do="save", name="kept")
        one.until("said", lambda news: "kept.toml" in news["words"])
        one.ask(do="export", process="sheets", folder="to cut")
        made = one.until("run", lambda news: news["process"] and not news["process"]["running"])["process"]
        assert made["words"] == "export kept.toml --process sheets --out to cut"
        assert made["code"] == 0, made["said"]
        one.ask(do="pull", changes={"waveguide/depth_mm": 88.0})
        one.until("shape", lambda news: not news["saved"])
        page.child.kill()
        page.child.wait()
    assert "depth_mm = 84.0" in (folder / "kept.toml").read_text()
    assert (folder / "cone.toml").read_text() == DESIGN
    # What was exported is the shape that was saved.
    assert read_design(folder / "to cut" / "design.toml").waveguide.depth == pytest.approx(0.084)
    assert (folder / "to cut" / "layers.dxf").exists()
    assert {path.name for path in folder.iterdir() if path.name.startswith(".")} == set()
