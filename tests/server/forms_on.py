"""The forms on a page, read as a browser reads them: what it would send."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

# What a person types into; everything else is chosen, ticked or hidden.
TYPED = {"text", "number", "email", "tel", "url", "search", "date", "time", "datetime-local", ""}


@dataclass
class Form:
    """A form that is posted.

    Attributes:
        action: where to, empty for the page itself.
        said: what it would send if nobody touched it.
        typed: names of the fields that a person types into.
    """

    action: str
    said: dict[str, str] = field(default_factory=dict)
    typed: list[str] = field(default_factory=list)


class _Forms(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[Form] = []
        self._form: Form | None = None
        self._select = self._area = ""

    def handle_starttag(self, tag: str, given: list[tuple[str, str | None]]) -> None:
        has = {name: value or "" for name, value in given}
        if tag == "form" and has.get("method", "").lower() == "post":
            self._form = Form(has.get("action", ""))
            self.found.append(self._form)
        if self._form is None:
            return
        name, value = has.get("name", ""), has.get("value", "")
        if tag == "select":
            self._select = name
        elif tag == "option" and self._select and ("selected" in has or self._select not in self._form.said):
            self._form.said[self._select] = value
        elif tag == "textarea" and name:
            self._area, self._form.said[name] = name, ""
            self._form.typed.append(name)
        elif tag == "button" and name and name not in self._form.said:
            self._form.said[name] = value
        elif tag == "input" and name:
            self._input(has.get("type", ""), name, value, "checked" in has)

    def _input(self, kind: str, name: str, value: str, is_checked: bool) -> None:
        assert self._form is not None
        if kind in TYPED:
            self._form.typed.append(name)
        if (kind in ("checkbox", "radio") and not is_checked) or kind == "file":
            return
        self._form.said[name] = value

    def handle_data(self, data: str) -> None:
        if self._form is not None and self._area:
            self._form.said[self._area] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "select":
            self._select = ""
        elif tag == "textarea" and self._form is not None and self._area:
            self._form.said[self._area] = self._form.said[self._area].removeprefix("\n")
            self._area = ""


def forms_on(page: str) -> Iterator[Form]:
    """Those that are posted, but for the one to sign out."""
    reader = _Forms()
    reader.feed(page)
    return (form for form in reader.found if not form.action.endswith("/sign-out"))
