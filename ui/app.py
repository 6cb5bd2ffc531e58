"""The front end's entry: `busbay bay`, or `streamlit run ui/app.py`."""

from __future__ import annotations

from urllib.parse import urlsplit

import streamlit as st
from streamlit.navigation.page import StreamlitPage

from sim.vehicle.problems import did_you_mean
from ui.errors import still_out_of_reach
from ui.panels import projector
from ui.panels.help import under_the_page
from ui.registry import PAGES, menus_of, pages_of
from ui.state import turns
from ui.state.at_work import is_alone, take_up
from ui.state.classroom import Role, courier, keep_cookies, records, role, student
from ui.state.session import open_session

# small margins, so that map and panel fit on one laptop screen
STYLE = """<style>
[data-testid="stMainBlockContainer"] { padding: 4.4rem 2rem 2rem; max-width: 1900px; }
[data-testid="stButtonGroup"] [role="radiogroup"] { flex-wrap: wrap; }
.st-key-panel button { padding-inline: 0.5rem; }
[data-testid="stLayoutWrapper"]:has(> .st-key-in_sight) { position: sticky; top: 3.6rem; z-index: 20; }
.st-key-in_sight { gap: 0.4rem; border-radius: 8px; padding: 0.35rem 0.8rem;
  background: rgba(128, 120, 100, 0.14); backdrop-filter: blur(14px); }
.st-key-answer p { font-size: 1.2rem; font-weight: 600; line-height: 1.3; }
.st-key-panel [role="radiogroup"] { font-size: 0.93rem; }
/* contrast 4.5 to 1 (WCAG 2.2, 1.4.3): the framework dims captions and writes white on any primary */
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p {
  color: light-dark(#5B6166, #AEB5B9); opacity: 1; }
[data-testid="stBaseButton-primary"], [data-testid="stBaseButton-primaryFormSubmit"],
[data-testid="stMultiSelect"] span[title], [data-testid="stMultiSelect"] span[title] ~ button {
  color: light-dark(#FFFFFF, #14181A); }
/* of what a button is (`controls.named`): for the ear */
button code { position: absolute; width: 1px; height: 1px; padding: 0 !important; overflow: hidden;
  clip-path: inset(50%); white-space: nowrap; }
/* crosses that empty a list: 24 px (WCAG 2.2, 2.5.8) */
button:is([aria-label="Clear value"], [aria-label="Clear all"]) { min-width: 24px; min-height: 24px; }
.st-key-handbook_text pre, .st-key-handbook_text pre code { white-space: pre-wrap !important; }
.st-key-offers { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(300px, 100%), 1fr)); }
[class*="st-key-offer-"], [class*="st-key-task-"] { padding-block: 0.5rem; }
/* what a meter read is typed; the steppers of both fields would have the same names */
:is(.st-key-step_reads, .st-key-step_within) [data-testid^="stNumberInputStep"] { display: none; }
@media (prefers-reduced-motion: reduce) {
  *, *::before, *::after { animation-duration: 1ms !important; transition-duration: 1ms !important; } }
@media (max-width: 640px) { [data-testid="stMainBlockContainer"] { padding: 4.2rem 0.8rem 2rem; }
  .st-key-to_projector { display: none; }
  .st-key-curriculum_list { max-height: 52vh; overflow-y: auto; }
  [data-testid="stHorizontalBlock"] { gap: 0.8rem; }
  .st-key-strip:has(.st-key-problem) { flex-direction: column; align-items: stretch; } }
</style>"""


LANDING = "home"  # the first page has the address without a path


def main() -> None:
    """Open this session's bench and show the page that the address names."""
    st.set_page_config(page_title="busbay", page_icon=":material/car_repair:", layout="wide")
    if still_out_of_reach():
        return
    records()
    courier()
    take_up()
    here_as = role()
    turns.mark(_comes(here_as))
    with turns.of_this_session():
        _page(here_as)


def _comes(here_as: Role) -> turns.Session:
    """A student at an exercise of a class comes first; one who practices at home gives way."""
    known = student()
    if here_as == "visitor" or (known is not None and is_alone(known)):
        return "gives way"
    return "class" if here_as == "at work" else "comes first"


def _page(here_as: Role) -> None:
    entries = {
        page.path: st.Page(
            page.show, title=page.title, icon=page.icon, default=place == 0,
            url_path=page.path if place else LANDING,
            visibility="hidden" if here_as in page.aside else "visible",
        )
        for place, page in enumerate(pages_of(here_as))
    }  # fmt: skip
    menus = {menu: [entries[page.path] for page in pages] for menu, pages in menus_of(here_as).items()}
    chosen = st.navigation({**menus, "": [*menus[""], *_led_on(entries)]}, position="top")
    st.session_state.entries = entries
    st.html(STYLE)
    open_session()
    _tell_unknown_keys()
    chosen.run()
    under_the_page(next((path for path, entry in entries.items() if entry is chosen), ""))
    projector.apply()
    keep_cookies()


def _tell_unknown_keys() -> None:
    """One sentence about a key in the address that opens nothing, once."""
    if st.session_state.pop("bench_unknown", False):
        st.info(
            "Nothing is saved under this address. A fresh car is in the bay.",
            icon=":material/key_off:",
        )
    if st.session_state.pop("student_unknown", False):
        st.warning(
            "The student's key in this address is not known here: it was replaced or erased. "
            "Ask the instructor, or join again.",
            icon=":material/key_off:",
        )
    if unknown := st.session_state.pop("page_unknown", ""):
        near = did_you_mean(unknown, (page.title for page in pages_of(role())))
        st.info(f"no page '{unknown}' here{near}", icon=":material/wrong_location:")


def _led_on(entries: dict[str, StreamlitPage]) -> list[StreamlitPage]:
    """Redirect an unknown address, and one of another role: to the door, or to the landing page of this role.

    An address of another role is an instructor's bookmark, opened before the passphrase is given.
    """
    landing, *others = entries
    asked = urlsplit(str(st.context.url or "")).path.rsplit("/", 1)[-1]
    if asked in ("", LANDING, *others):
        return []
    of = next((page.roles for page in PAGES if page.path == asked), ())
    to = entries["instructor" if of == ("instructor",) and "instructor" in entries else landing]

    def lead_on() -> None:
        if not of:
            st.session_state.page_unknown = asked
        st.switch_page(to)

    return [st.Page(lead_on, title="busbay", url_path=asked, visibility="hidden")]


if __name__ == "__main__":
    main()
