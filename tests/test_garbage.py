"""The garbage collector looks at what comes and goes, not at the program."""

import gc
import weakref

from sim.garbage import kept_for_good


class Part:
    """Something with a name of its own."""

    def __init__(self) -> None:
        self.itself: object = None


def test_the_collector_rests_inside_and_works_after() -> None:
    """It is off while the program is read in, and afterwards what it was before."""
    with kept_for_good():
        assert not gc.isenabled()
    assert gc.isenabled()
    gc.disable()
    try:
        with kept_for_good():
            assert not gc.isenabled()
        assert not gc.isenabled()
    finally:
        gc.enable()


def test_what_is_kept_is_not_looked_through_and_later_garbage_goes() -> None:
    """What was made inside is on the collector's list no more; a circle that is made later is collected."""
    with kept_for_good():
        kept = Part()
    assert not any(one is kept for one in gc.get_objects())
    later = Part()
    later.itself = later
    gone = weakref.ref(later)
    del later
    gc.collect()
    assert None is gone()
