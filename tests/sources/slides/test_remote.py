"""Slides behind addresses: a web server and an S3 server, both on this machine's loopback."""

from __future__ import annotations

import http.server
import re
import threading
from pathlib import Path

import numpy as np
import pytest
import tifffile
from data.slides.make import HERE, pattern

from coreg.errors import InputError
from coreg.sources.slides import open_slide

ALL = slice(None)
pytest.importorskip("aiohttp", reason="reading from addresses needs coreg[remote]")


class Ranges(http.server.SimpleHTTPRequestHandler):
    """Serves a folder, single byte ranges included (RFC 9110, 14), and counts what it sends."""

    sent: list[int]

    def log_message(self, *args):
        pass

    def do_HEAD(self):
        self.answer(body=False)

    def do_GET(self):
        self.answer(body=True)

    def answer(self, body):
        path = Path(self.translate_path(self.path))
        if not path.is_file():
            self.send_error(404)
            return
        data = path.read_bytes()
        match = re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", ""))
        total = len(data)
        if match:
            first = int(match[1])
            last = min(int(match[2] or total - 1), total - 1)
            data = data[first : last + 1]
            self.send_response(206)
            self.send_header("Content-Range", f"bytes {first}-{last}/{total}")
        else:
            self.send_response(200)
        self.send_header("Accept-Ranges", "bytes")
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        if body:
            self.server.sent.append(len(data))
            self.wfile.write(data)


@pytest.fixture
def web(tmp_path):
    def handler(*args):
        return Ranges(*args, directory=str(tmp_path))

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.sent = []
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield tmp_path, f"http://127.0.0.1:{server.server_port}", server.sent
    server.shutdown()
    server.server_close()
    thread.join()


def big_pyramid(path: Path) -> np.ndarray:
    full = np.random.default_rng(0).integers(0, 256, (2048, 2048, 3)).astype(np.uint8)
    with tifffile.TiffWriter(path) as writer:
        options = {"tile": (256, 256), "photometric": "rgb", "metadata": None}
        writer.write(
            full, subifds=1, resolution=(20000, 20000), resolutionunit="CENTIMETER", **options
        )
        writer.write(full[::2, ::2], subfiletype=1, **options)
    return full


def test_a_tiff_behind_http_sends_only_what_is_read(web):
    folder, address, sent = web
    full = big_pyramid(folder / "a.tif")
    with open_slide(f"{address}/a.tif") as slide:
        assert slide.pixel_size_source == "TIFF resolution tags"
        data = slide.read(0, slice(300, 400), slice(300, 400))
    np.testing.assert_array_equal(data, full[300:400, 300:400])
    assert sum(sent) < 0.25 * (folder / "a.tif").stat().st_size


def test_a_flat_picture_behind_http(web):
    from PIL import Image as Pillow

    folder, address, _ = web
    Pillow.fromarray(pattern()).save(folder / "a.png")
    with open_slide(f"{address}/a.png", 1.0) as slide:
        np.testing.assert_array_equal(slide.read(0, ALL, ALL), pattern())


@pytest.mark.parametrize("version", ["0.4", "0.5"])
def test_ome_zarr_behind_http(web, version):
    import shutil

    folder, address, _ = web
    shutil.copytree(HERE / f"ngff-{version}.ome.zarr", folder / "a.zarr")
    with open_slide(f"{address}/a.zarr") as slide:
        np.testing.assert_array_equal(slide.read(0, ALL, ALL), pattern())


def test_what_is_not_there_is_said(web):
    _, address, _ = web
    for name in ("none.tif", "none.zarr"):
        with pytest.raises(InputError, match=rf"{name} (cannot be|stopped)"):
            open_slide(f"{address}/{name}", 1.0)


def test_a_tiff_and_a_zarr_in_s3(tmp_path, monkeypatch):
    """moto's server stands in for the store."""
    pytest.importorskip("s3fs", reason="s3:// needs coreg[remote]")
    server_module = pytest.importorskip("moto.server", reason="moto stands in for the store")
    import boto3

    server = server_module.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    try:
        address = "http://{}:{}".format(*server.get_host_and_port())
        for name, value in {
            "AWS_ENDPOINT_URL": address,
            "AWS_ACCESS_KEY_ID": "test",
            "AWS_SECRET_ACCESS_KEY": "test",
            "AWS_DEFAULT_REGION": "us-east-1",
        }.items():
            monkeypatch.setenv(name, value)
        client = boto3.client("s3")
        client.create_bucket(Bucket="slides")
        full = big_pyramid(tmp_path / "a.tif")
        client.upload_file(str(tmp_path / "a.tif"), "slides", "a.tif")
        root = HERE / "ngff-0.5.ome.zarr"
        for path in root.rglob("*"):
            if path.is_file():
                client.upload_file(str(path), "slides", f"b.zarr/{path.relative_to(root)}")
        client.close()
        with open_slide("s3://slides/a.tif") as slide:
            data = slide.read(1, slice(0, 50), slice(900, 1024))
        np.testing.assert_array_equal(data, full[::2, ::2][:50, 900:])
        with open_slide("s3://slides/b.zarr") as slide:
            np.testing.assert_array_equal(slide.read(0, ALL, ALL), pattern())
    finally:
        server.stop()
