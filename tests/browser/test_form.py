"""The form for a mapping in a real JupyterLab: choose what is open, read, hear the account."""


def test_the_form_is_filled_in_and_reads_the_file(open_lesson, tmp_path):
    lesson = open_lesson("notebooks/12-own-house.ipynb")
    lesson.live()
    page = lesson.page
    form = page.locator(".sl-panel", has=page.get_by_role("button", name="Read the file"))
    answer = form.locator("[role=status]")
    form.get_by_role("button", name="Read the file").click()
    answer.get_by_text("Still to choose: order of the date").wait_for()
    selects = form.locator("select")
    selects.nth(0).select_option(label="month first")
    selects.nth(1).select_option(index=1)
    form.locator("input[type=text]").fill("America/New_York")
    form.locator("input[type=text]").press("Enter")
    for row, quantity in enumerate(("delivered", "received", "generation")):
        selects.nth(3 + 4 * row).select_option(label=quantity)
        selects.nth(3 + 4 * row + 1).select_option(label="kWh")
        selects.nth(3 + 4 * row + 3).select_option(label="5")
    form.locator("pre").first.get_by_text("digits = 5").first.wait_for()
    form.get_by_role("button", name="Read the file").click()
    answer.get_by_text("9 rows read = 9 used + 0 set aside").wait_for()
    page.screenshot(path=str(tmp_path / "form.png"))
    assert lesson.seen_errors() == []
