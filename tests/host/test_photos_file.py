"""One photo from whatever was sent: upright, without a word of what its EXIF tells, and never a file of somebody's."""

import contextlib
import io
import tracemalloc
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from photos_made import CORNERS, GPS, chunk, exif, jpeg, jpeg_saying, noisy, other, png, png_bomb, segments, upright
from PIL import Image
from PIL.Image import Transpose

from pitscribe.errors import PhotoError
from pitscribe.ledger import photofile
from pitscribe.ledger.photofile import LONGEST_PX, MOST_BYTES, read_photo, smaller

pytestmark = pytest.mark.filterwarnings("ignore::Warning:PIL")

NIGHT = datetime(2026, 5, 30, 22, 14, 5)  # what a camera's clock shows has no zone
ALLOWED = {0xE0, 0xDB, 0xC0, 0xC4, 0xDA}  # JFIF head, tables, baseline frame, scan (ITU-T T.81 table B.1)
# How the picture has to be stored so that a viewer that heeds the tag shows it upright (EXIF 2.32, 4.6.4 A).
STORED = {
    1: None, 2: Transpose.FLIP_LEFT_RIGHT, 3: Transpose.ROTATE_180, 4: Transpose.FLIP_TOP_BOTTOM,
    5: Transpose.TRANSPOSE, 6: Transpose.ROTATE_90, 7: Transpose.TRANSVERSE, 8: Transpose.ROTATE_270,
}


def is_upright(data):
    image = Image.open(io.BytesIO(data)).convert("RGB")
    for (x, y), colour in CORNERS.items():
        found = image.getpixel(((1 + 2 * x) * image.width // 4, (1 + 2 * y) * image.height // 4))
        if max(abs(a - b) for a, b in zip(found, colour, strict=True)) > 12:  # what JPEG does; our allowance, no source
            return False
    return True


@pytest.mark.parametrize("orientation", STORED)
@pytest.mark.parametrize("make", [jpeg, png])
def test_a_photo_is_upright_however_the_camera_was_held(orientation, make):
    how = STORED[orientation]
    stored = upright() if how is None else upright().transpose(how)
    found = read_photo(make(stored, exif=exif(orientation=orientation)))
    assert is_upright(found.jpeg)
    assert (found.width, found.height) == Image.open(io.BytesIO(found.jpeg)).size == upright().size


def test_nothing_of_exif_profile_comment_or_what_stands_behind_the_picture_is_kept():
    secret = b"41.878, -87.630"
    sent = jpeg(exif=exif(NIGHT, "-05:00"), comment=b"at " + secret, icc_profile=b"profile " + secret) + secret
    assert sent.count(secret) == 3
    assert GPS.encode() in sent
    found, behind = segments(read_photo(sent).jpeg)
    assert {marker for marker, _ in found} <= ALLOWED
    assert behind == b""
    for text in (secret, GPS.encode(), b"Exif", b"maker"):
        assert text not in read_photo(sent).jpeg
        assert text not in smaller(read_photo(sent).jpeg)
    in_png = png(exif=exif(NIGHT), icc_profile=b"profile " + secret)
    in_png = in_png[:-12] + chunk(b"tEXt", b"Comment\0" + secret) + in_png[-12:]
    assert {marker for marker, _ in segments(read_photo(in_png).jpeg)[0]} <= ALLOWED


@given(st.binary(max_size=300), st.binary(min_size=1, max_size=200), st.booleans())
@settings(max_examples=60, deadline=None)
def test_whatever_a_file_carries_only_its_picture_comes_through(comment, behind, progressive):
    data = jpeg(comment=comment, progressive=progressive, exif=exif(NIGHT)) + behind
    found, rest = segments(read_photo(data).jpeg)
    assert {marker for marker, _ in found} <= ALLOWED
    assert rest == b""


@pytest.mark.parametrize(("wide", "high", "kept"), [
    (4000, 3000, (2000, 1500)), (3750, 5000, (1536, 2048)), (2100, 1400, (2048, 1365)), (2048, 1, (2048, 1)),
])
def test_a_large_photo_is_made_smaller_and_keeps_its_shape(wide, high, kept):
    found = read_photo(jpeg(upright(wide, high)))
    assert (found.width, found.height) == kept
    assert high == 1 or is_upright(found.jpeg)


def test_a_photo_for_a_list_is_smaller_still():
    found = read_photo(jpeg(upright(4000, 3000)))
    small = Image.open(io.BytesIO(smaller(found.jpeg, 320)))
    assert small.size == (320, 240)
    assert read_photo(jpeg(upright(50, 40))).width == 50  # and a small one no larger


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGBA", "CMYK"])
def test_every_kind_of_colour_becomes_a_picture(mode):
    image = upright().quantize() if mode == "P" else upright().convert(mode)
    found = read_photo(jpeg(image) if mode == "CMYK" else png(image))
    assert (found.width, found.height) == upright().size
    if mode in ("P", "RGBA", "CMYK"):
        assert is_upright(found.jpeg)


def test_what_is_transparent_is_white_and_not_black():
    clear = Image.new("RGBA", (40, 40), (0, 0, 0, 0))
    assert Image.open(io.BytesIO(read_photo(png(clear)).jpeg)).getpixel((20, 20)) == (255, 255, 255)


# when it was taken


@pytest.mark.parametrize(("offset", "apart"), [("-05:00", -300), ("+05:30", 330), ("+00:00", 0), (None, None)])
def test_when_it_was_taken_is_read_with_the_cameras_offset_if_it_has_one(offset, apart):
    taken = read_photo(jpeg(exif=exif(NIGHT, offset))).taken
    assert taken.wall == NIGHT
    zone = timezone(timedelta(minutes=-420))
    used = zone if apart is None else timezone(timedelta(minutes=apart))
    assert taken.utc(zone) == NIGHT.replace(tzinfo=used).timestamp()


@pytest.mark.parametrize("text", ["0000:00:00 00:00:00", "    :  :     :  :  ", "", "yesterday", "2026:13:41 25:00:00"])
def test_a_camera_whose_clock_was_never_set_tells_no_time(text):
    assert read_photo(jpeg(exif=exif(text))).taken is None


@pytest.mark.parametrize("offset", ["   :  ", "", "-99:99", "x", "+5"])
def test_an_offset_that_cannot_be_read_is_none(offset):
    assert read_photo(jpeg(exif=exif(NIGHT, offset))).taken.utc(UTC) == NIGHT.replace(tzinfo=UTC).timestamp()


@given(st.binary(max_size=120))
@settings(max_examples=60, deadline=None)
def test_a_picture_with_a_damaged_exif_is_a_picture(noise):
    data = jpeg(exif=b"Exif\0\0MM\0*\0\0\0\x08" + noise)
    assert is_upright(read_photo(data).jpeg) or read_photo(data).width in upright().size


# what is refused


@pytest.mark.parametrize(("data", "words"), [
    (b"", "is empty"),
    (b"a shopping list\n" * 40, "no photo that can be read here: send a JPEG or PNG"),
    (b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", "no photo that can be read"),
    (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(400), "a HEIC file, which is not read here: send .* a JPEG"),
    (b"\0\0\0\x1cftypavif\0\0\0\0" + bytes(400), "an AVIF file"),
    (b"\0\0\0\x18ftypisom" + bytes(400), "a film file"),
    (b"%PDF-1.7\n" + bytes(100), "a PDF file"),
    (b"\xff\xd8\xff\xe0", "cut off or damaged"),
    (b"\x89PNG\r\n\x1a\n", "cut off or damaged"),
])
def test_what_is_no_jpeg_or_png_is_refused_saying_what_it_is(data, words):
    with pytest.raises(PhotoError, match=words):
        read_photo(data)


@pytest.mark.parametrize(("kind", "words"), [
    ("GIF", "a GIF"), ("WEBP", "a WebP"), ("TIFF", "a TIFF"), ("BMP", "a BMP"),
])
def test_other_pictures_are_refused_by_name(kind, words):
    with pytest.raises(PhotoError, match=f"this is {words} file, which is not read here"):
        read_photo(other(kind))


@pytest.mark.parametrize("make", [jpeg, png, lambda image: jpeg(image, progressive=True)])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.95])
def test_a_photo_that_is_cut_off_is_refused_and_not_half_kept(make, share):
    whole = make(noisy())
    with pytest.raises(PhotoError, match="cut off or damaged"):
        read_photo(whole[: int(len(whole) * share)])


def test_a_file_of_too_many_bytes_is_refused_before_it_is_looked_at():
    with pytest.raises(PhotoError, match="more than 20 MB"):
        read_photo(jpeg() + bytes(MOST_BYTES))


@pytest.mark.parametrize(("data", "words"), [
    (png_bomb(60_000, 60_000), "far too many pixels"), (png_bomb(5000, 5000), "25 million pixels; of a PNG 10 are"),
    (png_bomb(12_000, 12_000), "144 million pixels"), (jpeg_saying(65_500, 65_500), "far too many pixels"),
    (jpeg_saying(9000, 7200), "65 million pixels; of a JPEG 64 are"),
    (jpeg_saying(6000, 5000, progressive=True), "30 million pixels; of a progressive JPEG 25 are"),
])
def test_a_bomb_is_refused_before_it_is_unpacked(data, words):
    assert len(data) < 200_000
    read_photo(jpeg())  # what Pillow itself takes is taken
    tracemalloc.start()
    with pytest.raises(PhotoError, match=words):
        read_photo(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 5_000_000


def test_a_jpeg_of_a_thousand_passes_is_refused():
    data = jpeg(progressive=True)
    at = data.rindex(b"\xff\xda")
    with pytest.raises(PhotoError, match="more passes than any camera"):
        read_photo(data[:at] + data[at:-2] * 1000 + data[-2:])


def test_a_progressive_photo_as_the_web_has_them_is_taken():
    assert is_upright(read_photo(jpeg(progressive=True)).jpeg)


GOOD = jpeg(exif=exif(NIGHT)), png(exif=exif(NIGHT)), jpeg(progressive=True)


@given(st.sampled_from(GOOD), st.lists(st.tuples(st.floats(0, 0.9999), st.integers(0, 255)), min_size=1, max_size=12))
@settings(max_examples=150, deadline=None)
def test_a_file_with_changed_bytes_is_a_picture_or_refused_in_plain_words(good, changes):
    data = bytearray(good)
    for where, value in changes:
        data[int(where * len(data))] = value
    with contextlib.suppress(PhotoError):  # anything else that is raised fails
        found = read_photo(bytes(data))
        assert 0 < max(found.width, found.height) <= LONGEST_PX
        assert {marker for marker, _ in segments(found.jpeg)[0]} <= ALLOWED


def test_pillow_is_loaded_with_the_first_photo_and_not_with_the_ledger():
    source = Path(photofile.__file__).parents[1]
    for module in source.rglob("*.py"):
        for line in module.read_text(encoding="utf-8").splitlines():
            if line.startswith(("import PIL", "from PIL")):
                pytest.fail(f"{module} loads Pillow as it is imported: {line}")
