"""Structures and codes of framebuffer and input devices against the kernel's own headers, asked by a C compiler."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from firmware_app.devices import framebuffer, touch

PROGRAM = r"""
#include <linux/fb.h>
#include <linux/input.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

int main(void) {
    struct fb_fix_screeninfo fix;
    struct fb_var_screeninfo var;
    memset(&fix, 0, sizeof fix);
    memset(&var, 0, sizeof var);
    strcpy(fix.id, "test");
    fix.smem_len = 101; fix.type = 102; fix.visual = 103; fix.line_length = 104;
    var.xres = 1; var.yres = 2; var.xoffset = 3; var.yoffset = 4; var.bits_per_pixel = 5; var.grayscale = 6;
    var.red.offset = 7; var.red.length = 8; var.red.msb_right = 9; var.green.offset = 10; var.green.length = 11;
    var.blue.offset = 12; var.blue.length = 13; var.transp.offset = 14; var.transp.length = 15;
    printf("%x %x %x %x %x\n", FBIOGET_VSCREENINFO, FBIOGET_FSCREENINFO, (unsigned)EVIOCGABS(ABS_X),
           (unsigned)EVIOCGABS(ABS_Y), (unsigned)EVIOCSCLOCKID);
    printf("%d %d %d %d %d %d %d %d\n", EV_SYN, EV_KEY, EV_ABS, SYN_REPORT, SYN_DROPPED, ABS_X, ABS_Y, BTN_TOUCH);
    printf("%d %d\n", FB_VISUAL_TRUECOLOR, FB_VISUAL_DIRECTCOLOR);
    printf("%zu %zu\n", sizeof(struct input_event), sizeof(struct input_absinfo));
    for (size_t i = 0; i < sizeof var; i++) printf("%02x", ((unsigned char *)&var)[i]);
    printf("\n");
    for (size_t i = 0; i < sizeof fix; i++) printf("%02x", ((unsigned char *)&fix)[i]);
    printf("\n");
    return 0;
}
"""


@pytest.fixture(scope="module")
def answer(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    compiler = shutil.which("cc")
    if not compiler or not Path("/usr/include/linux/fb.h").exists():
        pytest.skip("no C compiler or no kernel headers")
    folder = tmp_path_factory.mktemp("headers")
    (folder / "ask.c").write_text(PROGRAM)
    subprocess.run([compiler, "ask.c", "-o", "ask"], cwd=folder, check=True)
    return subprocess.run([folder / "ask"], check=True, capture_output=True, text=True).stdout.splitlines()


def test_requests_and_codes(answer) -> None:
    requests = framebuffer.FBIOGET_VSCREENINFO, framebuffer.FBIOGET_FSCREENINFO, *map(touch.eviocgabs, (0, 1))
    requests += (touch.EVIOCSCLOCKID,)
    assert requests == tuple(int(word, 16) for word in answer[0].split())
    names = ("EV_SYN", "EV_KEY", "EV_ABS", "SYN_REPORT", "SYN_DROPPED", "ABS_X", "ABS_Y", "BTN_TOUCH")
    assert [getattr(touch, name) for name in names] == [int(word) for word in answer[1].split()]
    assert [int(word) for word in answer[2].split()] == [framebuffer.TRUE_COLOUR, framebuffer.DIRECT_COLOUR]
    assert [touch.EVENT.size, touch.ABSINFO.size] == [int(word) for word in answer[3].split()]


def test_fields_lie_where_they_are_read(answer) -> None:
    var = framebuffer.VARIABLE.unpack(bytes.fromhex(answer[4]))
    assert [var[i] for i in (0, 1, 4, 5, 6, 7)] == [1, 2, 3, 4, 5, 6]
    assert [var[i] for i in (8, 9, 10, 11, 12, 14, 15, 17, 18)] == [7, 8, 9, 10, 11, 12, 13, 14, 15]
    raw = bytes.fromhex(answer[5])
    fix = framebuffer.FIXED.unpack_from(raw)
    assert [fix[i] for i in (2, 3, 5, 9)] == [101, 102, 103, 104]
    assert len(raw) <= framebuffer.FIXED.size + 8, "the kernel would write beyond the buffer"
