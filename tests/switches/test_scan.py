from bridge.switches.ghosts import Ghosts
from bridge.switches.scan import Contact, KeyEvent, KeyScan

MS = 1_000_000
SETTLE = 10 * MS
OPEN = 0b0000_0111  # channel 0 always high, 7 always low; keys on 1 and 2 close low, on 3 high


def scan() -> KeyScan:
    return KeyScan([Contact(0, 1, False), Contact(1, 2, False), Contact(2, 3, True)], [0], [7], SETTLE)


def hold(keys: KeyScan, start: int, levels: int) -> list[KeyEvent]:
    return [event for t in range(start, start + 2 * SETTLE, 4 * MS) for event in keys.feed(t, levels)]


def test_contacts_close_at_the_level_the_description_says() -> None:
    keys = scan()
    assert hold(keys, 0, OPEN) == []
    assert hold(keys, 100 * MS, OPEN & ~0b10) == [KeyEvent(100 * MS, 0, True)]
    assert hold(keys, 200 * MS, OPEN | 0b1000) == [KeyEvent(200 * MS, 0, False), KeyEvent(200 * MS, 2, True)]


def test_a_cable_that_came_off_throws_no_key_and_recovers() -> None:
    keys = scan()
    hold(keys, 0, OPEN & ~0b10)
    for broken in (0x00, 0xFF, OPEN & ~1, OPEN | 0x80):
        assert hold(keys, 1000 * MS, broken) == []
        assert not keys.intact
    # source: the rule as stated in the class: a quarter of a second of right scans, then they settle.
    for now in range(0, 250 * MS, 4 * MS):
        assert keys.feed(2000 * MS + now, OPEN & ~0b110) == []
        assert not keys.intact
    assert hold(keys, 2252 * MS, OPEN & ~0b110) == [KeyEvent(2252 * MS, 1, True)]
    assert keys.intact
    assert hold(keys, 3000 * MS, OPEN & ~0b100) == [KeyEvent(3000 * MS, 0, False)]


def test_samples_before_and_after_a_broken_scan_are_not_joined() -> None:
    keys = scan()
    assert keys.feed(0, OPEN & ~0b10) == []
    assert keys.feed(4 * MS, 0) == []
    assert keys.feed(12 * MS, OPEN & ~0b10) == []
    assert keys.feed(262 * MS, OPEN & ~0b10) == []
    assert keys.feed(272 * MS, OPEN & ~0b10) == [KeyEvent(262 * MS, 0, True)]


def test_inputs_that_no_key_uses_are_not_looked_at() -> None:
    assert hold(scan(), 0, OPEN | 0b0111_0000) == []


def test_samples_before_and_after_scans_that_are_missing_are_not_joined() -> None:
    keys = scan()
    assert keys.feed(0, OPEN) == []
    assert keys.feed(4 * MS, OPEN & ~0b10) == []
    keys.interrupt()
    assert keys.feed(1000 * MS, OPEN & ~0b10) == []
    assert keys.feed(1010 * MS, OPEN & ~0b10) == [KeyEvent(1000 * MS, 0, True)]


def matrix() -> KeyScan:
    """Two rows of two, channels 0 to 3, no diodes; no key on the last."""
    return KeyScan([Contact(n, n, False) for n in range(3)], [], [], SETTLE, Ghosts(2, 2))


def test_what_cannot_be_told_stays_as_it_was_until_it_can() -> None:
    keys = matrix()
    assert hold(keys, 0, 0b1010) == [KeyEvent(0, 0, True), KeyEvent(0, 2, True)]
    # Key 1 makes three corners: all four read closed.
    assert hold(keys, 100 * MS, 0b0000) == []
    assert keys.withheld
    # Key 0 is let go of, and nothing is known of the others: they still look closed.
    assert hold(keys, 200 * MS, 0b0000) == []
    # Key 2 too: key 1 alone.
    assert hold(keys, 300 * MS, 0b1101) == [
        KeyEvent(300 * MS, 0, False),
        KeyEvent(300 * MS, 1, True),
        KeyEvent(300 * MS, 2, False),
    ]
    assert not keys.withheld


def test_a_contact_that_was_about_to_settle_when_it_could_no_longer_be_told_begins_anew() -> None:
    keys = matrix()
    for now, levels in ((0, 0b1111), (4, 0b1110), (8, 0b0000), (12, 0b1110), (16, 0b1110)):
        assert keys.feed(now * MS, levels) == []
    assert keys.feed(22 * MS, 0b1110) == [KeyEvent(12 * MS, 0, True)]


def test_keys_settle_in_times_of_their_own_and_all_are_known_after_the_longest() -> None:
    keys = KeyScan(
        [Contact(0, 0, False, 20 * MS), Contact(1, 1, False), Contact(2, 2, True, None, True)], [], [], SETTLE
    )
    events, known = [], []
    for now in range(0, 24 * MS, 4 * MS):
        events += keys.feed(now, 0b100)
        known.append(keys.known)
    assert events == [KeyEvent(0, 2, True), KeyEvent(0, 1, True), KeyEvent(0, 0, True)]
    assert known == [False, False, False, False, False, True]


def test_what_a_second_look_does_not_confirm_stays_as_it_was_and_freezes_the_keys_if_that_lasts() -> None:
    keys = scan()
    hold(keys, 0, OPEN)
    assert keys.moved(OPEN) == 0
    assert keys.moved(OPEN & ~0b110) == 0b110
    assert keys.moved(OPEN & ~0b111) == 0
    for now in range(100 * MS, 350 * MS, 4 * MS):
        assert keys.feed(now, OPEN & ~0b110, 0b10) == ([KeyEvent(100 * MS, 1, True)] if now == 112 * MS else [])
        assert keys.intact
    assert keys.feed(352 * MS, OPEN & ~0b110, 0b10) == []
    assert (keys.intact, keys.suspects) == (False, range(1))
    # It takes scans without doubt to be believed again.
    keys.feed(356 * MS, OPEN)
    keys.feed(500 * MS, OPEN, 0b10)
    keys.feed(504 * MS, OPEN)
    keys.feed(750 * MS, OPEN)
    assert (keys.intact, keys.suspects) == (False, range(1))
    keys.feed(754 * MS, OPEN)
    assert (keys.intact, keys.suspects) == (True, None)
