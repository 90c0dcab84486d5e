"""Tables for notebooks are well-formed and hold text alone."""

from xml.etree import ElementTree

from prewarp.notebook import html_table


def test_a_table_holds_what_it_was_given_as_text():
    table = ElementTree.fromstring(html_table("a < b", ("name", "%"), [("x & y", "1"), ("<b>", "2")]))
    assert table.find("caption").text == "a < b"
    assert [[cell.text for cell in row] for row in table.findall("tr")] == [
        ["name", "%"],
        ["x & y", "1"],
        ["<b>", "2"],
    ]
