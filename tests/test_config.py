from __future__ import annotations

import ipaddress
import os
from datetime import date
from pathlib import Path

import attrs
import harness
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from depotserve import config
from depotserve.config.source import MOST_VALUES
from depotserve.errors import CallerError, DepotError, SurroundingsError

HOME = Path("/srv/depot/home")
SAMPLE = Path(__file__).parent.parent / "conf" / "depot.yaml"
LEAST = """\
format: 1
content:
  - url: /
    path: /srv/vendor
    users: any
listeners:
  - address: 127.0.0.1
    port: 8443
"""


def _parse(text: str) -> config.Settings:
    return config.parse(text.encode(), home=HOME, name="depot.yaml")


def _refusal(text: str) -> str:
    with pytest.raises(CallerError) as caught:
        _parse(text)
    assert caught.value.exit_status == 2
    return str(caught.value)


def _with(*lines: str) -> str:
    return LEAST + "".join(f"{line}\n" for line in lines)


def test_the_least_that_can_be_said_gets_every_default() -> None:
    assert _parse(LEAST) == config.Settings(
        home=HOME,
        content=(config.Mount("/", Path("/srv/vendor"), "any"),),
        listeners=(config.Listener("127.0.0.1", 8443),),
    )


def test_the_sample_says_every_setting_with_its_default_and_nothing_else() -> None:
    said = yaml.safe_load(SAMPLE.read_text())
    assert _undefaulted(said) == []
    settings = config.parse(SAMPLE.read_bytes(), home=HOME, name="depot.yaml")
    assert settings == config.Settings(
        home=HOME,
        content=(config.Mount("/", Path("/srv/vendor"), "any"),),
        listeners=(config.Listener("0.0.0.0", 8443),),  # noqa: S104
    )


def _undefaulted(said: dict[str, object]) -> list[str]:
    """List the settings that the classes have and the sample does not say, or the reverse."""
    parts = {
        config.Settings: said,
        config.Mount: said["content"][0],  # type: ignore[index]
        config.Listener: said["listeners"][0],  # type: ignore[index]
        config.Limits: said["limits"],
        config.Throttle: said["throttle"],
        config.AccessLog: said["access_log"],
        config.Tls: said["tls"],
    }
    beside = {"home", "line", "format"}
    return [
        name
        for kind, part in parts.items()
        for name in {field.name for field in attrs.fields(kind)} ^ set(part)  # type: ignore[call-overload]
        if name not in beside or (name == "format" and kind is config.AccessLog)
    ]


def test_every_line_of_the_sample_that_is_a_setting_has_a_reason_above_or_beside_it() -> None:
    lines = SAMPLE.read_text().splitlines()
    bare = [
        line
        for before, line in zip(["", *lines], lines)
        if line and line[0].isalpha() and not before.startswith("#")
    ]
    assert bare == []


def test_every_setting_can_be_said() -> None:
    settings = _parse(
        """\
format: 1
content:
  - url: /line-a
    path: "/srv/a folder"
    users: [intake, "007"]
  - {url: /, path: /srv/b, users: anonymous}
operators: ["jürgen"]
listeners:
  - {address: "::", port: 443}
  - {address: 0.0.0.0, port: 80, tls: redirect}
  - {address: 10.0.0.5, port: 8080, tls: none, i_accept_cleartext_passwords: true}
  - address: 10.0.0.5
    port: 8444
    tls: legacy
    clients: [10.1.0.7, "fd00::/64"]
    until: 2027-03-31
workers: 3
drain: 2.5
realm: Plant depot
never_serve: [".git", "*.bak"]
trusted_proxies: [10.1.0.5, 10.2.0.0/16, "fd00::/8"]
passphrase_minimum: 8
bcrypt_cost: 10
limits:
  target_bytes: 1024
  header_bytes: 2048
  header_seconds: 5
  idle_seconds: 6
  stalled_seconds: 7.5
  connections: 16
  connections_by_address: 1
bandwidth:
  - {of: total, bytes_per_second: 1000, hours: 06:00-20:00}
  - {of: connection, bytes_per_second: 1000000000000, hours: "20:30-06:15"}
  - {of: /line-a, bytes_per_second: 2000, hours: 12:00-24:00}
throttle: {failures: 3, seconds: 60}
access_log: {format: json, to: stderr}
"""
    )
    networks = ("10.1.0.5/32", "10.2.0.0/16", "fd00::/8")
    assert settings == config.Settings(
        home=HOME,
        content=(
            config.Mount("/line-a/", Path("/srv/a folder"), ("intake", "007")),
            config.Mount("/", Path("/srv/b"), "anonymous"),
        ),
        operators=("jürgen",),
        listeners=(
            config.Listener("::", 443),
            config.Listener("0.0.0.0", 80, "redirect"),  # noqa: S104
            config.Listener("10.0.0.5", 8080, "none", i_accept_cleartext_passwords=True),
            config.Listener(
                "10.0.0.5",
                8444,
                "legacy",
                clients=(
                    ipaddress.ip_network("10.1.0.7/32"),
                    ipaddress.ip_network("fd00::/64"),
                ),
                until=date(2027, 3, 31),
            ),
        ),
        workers=3,
        drain=2.5,
        realm="Plant depot",
        never_serve=(".git", "*.bak"),
        trusted_proxies=tuple(ipaddress.ip_network(network) for network in networks),
        passphrase_minimum=8,
        bcrypt_cost=10,
        limits=config.Limits(1024, 2048, 5.0, 6.0, 7.5, 16, 1),
        bandwidth=(
            config.Cap("total", 1000, config.Hours(360, 1200)),
            config.Cap("connection", 10**12, config.Hours(1230, 375)),
            config.Cap("/line-a/", 2000, config.Hours(720, 1440)),
        ),
        throttle=config.Throttle(3, 60.0),
        access_log=config.AccessLog("json", "stderr"),
    )


def test_mounts_and_listeners_know_their_lines() -> None:
    settings = _parse(LEAST)
    assert (settings.content[0].line, settings.listeners[0].line) == (3, 7)


KNOWN = (
    "format, content, listeners, operators, workers, drain, realm, never_serve, trusted_proxies, "
    "passphrase_minimum, bcrypt_cost, limits, bandwidth, throttle, access_log, tls"
)
ADDED = {
    # what is added to the least settings, and what the refusal of it says
    "drian: 3": "depot.yaml:9: drian: is no setting, did you mean drain?",
    "colour: red": f"depot.yaml:9: colour: is no setting, allowed are {KNOWN}",
    "home: /srv/other": f"depot.yaml:9: home: is no setting, allowed are {KNOWN}",
    "<<: {drain: 3}": f"depot.yaml:9: <<: is no setting, allowed are {KNOWN}",
    "limits: {header_secs: 5}": (
        "depot.yaml:9: limits.header_secs: is no setting, did you mean header_seconds?"
    ),
    "format: 1": "depot.yaml:9: format: is set twice, first on line 1; allowed is once",
    "drain: soon": "depot.yaml:9: drain: 'soon' is no number, allowed is 0 to 86400 seconds",
    'drain: "60"': "depot.yaml:9: drain: '60' is no number, allowed is 0 to 86400 seconds",
    "drain: 1:30": "depot.yaml:9: drain: '1:30' is no number, allowed is 0 to 86400 seconds",
    "drain: .inf": "depot.yaml:9: drain: '.inf' is no number, allowed is 0 to 86400 seconds",
    "drain: -1": "depot.yaml:9: drain: '-1' is no number, allowed is 0 to 86400 seconds",
    "drain: 86401": "depot.yaml:9: drain: 86401 is out of range, allowed is 0 to 86400 seconds",
    "drain: [60]": "depot.yaml:9: drain: is a list, allowed is 0 to 86400 seconds",
    "drain:": "depot.yaml:9: drain: '' is no number, allowed is 0 to 86400 seconds",
    "workers: 0": "depot.yaml:9: workers: 0 is out of range, allowed is 1 to 256",
    "workers: 2.5": "depot.yaml:9: workers: '2.5' is no whole number, allowed is 1 to 256",
    "workers: 010": "depot.yaml:9: workers: '010' is no whole number, allowed is 1 to 256",
    "workers: 0x10": "depot.yaml:9: workers: '0x10' is no whole number, allowed is 1 to 256",
    "workers: {a: 1}": "depot.yaml:9: workers: is a group of keys, allowed is 1 to 256",
    "passphrase_minimum: 7": (
        "depot.yaml:9: passphrase_minimum: 7 is out of range, allowed is 8 to 64 characters"
    ),
    "bcrypt_cost: 9": "depot.yaml:9: bcrypt_cost: 9 is out of range, allowed is 10 to 16",
    "bcrypt_cost: 31": "depot.yaml:9: bcrypt_cost: 31 is out of range, allowed is 10 to 16",
    "limits: {target_bytes: 10}": (
        "depot.yaml:9: limits.target_bytes: 10 is out of range, allowed is 256 to 65536 bytes"
    ),
    "limits: {header_seconds: 0}": (
        "depot.yaml:9: limits.header_seconds: 0 is out of range, allowed is 1 to 600 seconds"
    ),
    "throttle: {failures: 0}": (
        "depot.yaml:9: throttle.failures: 0 is out of range, allowed is 1 to 100"
    ),
    "limits: {connections: 15}": (
        "depot.yaml:9: limits.connections: 15 is out of range, allowed is 16 to 65536"
    ),
    "limits: {connections: 65537}": (
        "depot.yaml:9: limits.connections: 65537 is out of range, allowed is 16 to 65536"
    ),
    "limits: {connections_by_address: 0}": (
        "depot.yaml:9: limits.connections_by_address: 0 is out of range, allowed is 1 to 65536"
    ),
    "limits: {connection: 100}": (
        "depot.yaml:9: limits.connection: is no setting, did you mean connections?"
    ),
    "bandwidth: 5": (
        "depot.yaml:9: bandwidth: is no list, allowed are lines of `- value`, or [value, value]"
    ),
    "bandwidth: [5]": ("depot.yaml:9: bandwidth: holds no keys, allowed are lines of `key: value`"),
    "bandwidth:\n  - bytes_per_second: 5000": (
        "depot.yaml:10: bandwidth.of: is missing, it has no default"
    ),
    "bandwidth:\n  - of: total": (
        "depot.yaml:10: bandwidth.bytes_per_second: is missing, it has no default"
    ),
    **{
        f"bandwidth:\n  - of: total\n    bytes_per_second: {number}": (
            f"depot.yaml:11: bandwidth.bytes_per_second: {wrong}, "
            "allowed is 1000 to 1000000000000 bytes"
        )
        for number, wrong in {
            "999": "999 is out of range",
            "1000000000001": "1000000000001 is out of range",
            "1e6": "'1e6' is no whole number",
            "1 MB": "'1 MB' is no whole number",
            "1_000_000": "'1_000_000' is no whole number",
        }.items()
    },
    "bandwidth:\n  - {of: totals, bytes_per_second: 5000}": (
        "depot.yaml:10: bandwidth.of: 'totals' is unknown, "
        "allowed are total, connection, or the url of a mount"
    ),
    "bandwidth:\n  - {of: /other, bytes_per_second: 5000}": (
        "depot.yaml:10: bandwidth.of: /other/ is no mount's url, allowed are /, connection, total"
    ),
    "bandwidth:\n  - {of: /a b, bytes_per_second: 5000}": (
        "depot.yaml:10: bandwidth.of: '/a b' is no address prefix, "
        "allowed is / or /name/ of letters, digits and . _ ~ + -"
    ),
    "bandwidth:\n  - {of: no, bytes_per_second: 5000}": (
        "depot.yaml:10: bandwidth.of: no without quotes is a truth value, "
        'allowed is text; in quotes it is text: "no"'
    ),
    "bandwidth:" + "\n  - {of: total, bytes_per_second: 5000}" * 33: (
        "depot.yaml:42: bandwidth: is too long, allowed are 32 entries"
    ),
    **{
        f"bandwidth:\n  - {{of: total, bytes_per_second: 5000, hours: {hours}}}": (
            f"depot.yaml:10: bandwidth.hours: {wrong}, "
            "allowed is a span of the day such as 06:00-20:00 or 20:00-06:00"
        )
        for hours, wrong in {
            "06:00": "'06:00' is no span of hours",
            "12:00": "'12:00' is no span of hours",  # a number to YAML 1.1, by base 60
            "6-20": "'6-20' is no span of hours",
            "6:00-20:00": "'6:00-20:00' is no span of hours",
            "06:00-25:00": "'06:00-25:00' is no span of hours",
            "06:60-20:00": "'06:60-20:00' is no span of hours",
            "24:00-06:00": "'24:00-06:00' is no span of hours",
            "06:00 - 20:00": "'06:00 - 20:00' is no span of hours",
            "06:00-24:01": "'06:00-24:01' ends after 24:00",
            "06:00-06:00": "'06:00-06:00' begins when it ends",
            "00:00-00:00": "'00:00-00:00' begins when it ends",
            "''": "'' is no span of hours",
            "[06:00-20:00]": "is a list",
        }.items()
    },
    "limits: 5": "depot.yaml:9: limits: holds no keys, allowed are lines of `key: value`",
    "operators: intake": (
        "depot.yaml:9: operators: is no list, allowed are lines of `- value`, or [value, value]"
    ),
    "operators: [no]": (
        "depot.yaml:9: operators: no without quotes is a truth value, "
        'allowed is text; in quotes it is text: "no"'
    ),
    "operators: [007]": (
        "depot.yaml:9: operators: 007 without quotes is a number, "
        'allowed is text; in quotes it is text: "007"'
    ),
    "operators: [1e3]": (
        "depot.yaml:9: operators: 1e3 without quotes is a number, "
        'allowed is text; in quotes it is text: "1e3"'
    ),
    "operators: [2024-01-01]": (
        "depot.yaml:9: operators: 2024-01-01 without quotes is a date, "
        'allowed is text; in quotes it is text: "2024-01-01"'
    ),
    "operators: [12:30:45]": (
        "depot.yaml:9: operators: 12:30:45 without quotes is a number, "
        'allowed is text; in quotes it is text: "12:30:45"'
    ),
    "operators: [~]": "depot.yaml:9: operators: is empty, allowed is text",
    'operators: [""]': "depot.yaml:9: operators: is empty, allowed is text",
    "operators: [[a]]": "depot.yaml:9: operators: is a list, allowed is one text",
    "operators: [any]": (
        "depot.yaml:9: operators: 'any' is no user name, allowed are names of users"
    ),
    "operators: ['a:b']": (
        "depot.yaml:9: operators: 'a:b' is no user name, "
        "allowed are at most 255 bytes without colon or control character"
    ),
    "realm: no": (
        "depot.yaml:9: realm: no without quotes is a truth value, "
        'allowed is text; in quotes it is text: "no"'
    ),
    "realm: 'a\"b'": (
        "depot.yaml:9: realm: 'a\"b' is no realm, "
        'allowed are 1 to 64 printable ASCII characters without " and \\'
    ),
    "never_serve: [a/b]": (
        "depot.yaml:9: never_serve: 'a/b' can match no name, "
        "allowed is a pattern for one name, without /"
    ),
    "trusted_proxies: [10.1.0.5/16]": (
        "depot.yaml:9: trusted_proxies: '10.1.0.5/16' is no address or network, "
        "allowed is one such as 10.1.0.5 or 10.1.0.0/24"
    ),
    "access_log: {format: xml}": (
        "depot.yaml:9: access_log.format: 'xml' is unknown, allowed are combined, json"
    ),
    "access_log: {to: syslog}": (
        "depot.yaml:9: access_log.to: 'syslog' is unknown, allowed are file, stderr"
    ),
    "? [a]\n: b": "depot.yaml:9: has a key that is no word",
    "a: [": "depot.yaml:10: no valid YAML: expected the node content, but found '<stream end>'",
    "a: b: c": "depot.yaml:9: no valid YAML: mapping values are not allowed here",
    "a: \x01": "depot.yaml:9: holds a character that YAML forbids",
    "a: *b": "depot.yaml:9: no valid YAML: found undefined alias 'b'",
    "---\na: b": "depot.yaml:9: no valid YAML: but found another document",
}


@pytest.mark.parametrize("added", ADDED)
def test_a_bad_line_is_named_with_its_key_and_what_is_allowed(added: str) -> None:
    assert _refusal(_with(added)) == ADDED[added]


CHANGED = {
    # a text of the least settings, what stands there instead, and what the refusal says
    ("format: 1\n", ""): "depot.yaml:1: format: is missing, allowed is 1",
    ("format: 1", "format: 2"): "depot.yaml:1: format: 2 is out of range, allowed is 1 to 1",
    ("    port: 8443\n", ""): "depot.yaml:7: listeners.port: is missing, it has no default",
    ("    users: any\n", ""): "depot.yaml:3: content.users: is missing, it has no default",
    ("users: any", "users: intake"): (
        "depot.yaml:5: content.users: 'intake' is neither word nor list, "
        "allowed are any, anonymous, or a list of user names"
    ),
    ("users: any", "users: no"): (
        "depot.yaml:5: content.users: no without quotes is a truth value, "
        'allowed is text; in quotes it is text: "no"'
    ),
    ("users: any", "users: []"): (
        "depot.yaml:5: content.users: is an empty list, "
        "allowed are any, anonymous, or a list of user names"
    ),
    ("users: any", "users: [intake, anonymous]"): (
        "depot.yaml:5: content.users: 'anonymous' is no user name, allowed are names of users"
    ),
    ("path: /srv/vendor", "path: vendor"): (
        "depot.yaml:4: content.path: 'vendor' is no absolute path, "
        "allowed is a folder's path from /"
    ),
    ("url: /\n", "url: vendor\n"): (
        "depot.yaml:3: content.url: 'vendor' is no address prefix, "
        "allowed is / or /name/ of letters, digits and . _ ~ + -"
    ),
    ("url: /\n", "url: //vendor\n"): (
        "depot.yaml:3: content.url: '//vendor' is no address prefix, "
        "allowed is / or /name/ of letters, digits and . _ ~ + -"
    ),
    ("url: /\n", "url: /a%20b\n"): (
        "depot.yaml:3: content.url: '/a%20b' is no address prefix, "
        "allowed is / or /name/ of letters, digits and . _ ~ + -"
    ),
    ("url: /\n", "url: /a/../b\n"): (
        "depot.yaml:3: content.url: '/a/../b' holds a dot segment, allowed are names only"
    ),
    ("url: /\n", "url: /_depot/x\n"): (
        "depot.yaml:3: content.url: '/_depot/x' is taken by the depot's own pages, "
        "allowed is any other"
    ),
    ("address: 127.0.0.1", "address: localhost"): (
        "depot.yaml:7: listeners.address: 'localhost' is no IP address, "
        "allowed is one such as 127.0.0.1, 0.0.0.0 or ::"
    ),
    ("port: 8443", "port: 65536"): (
        "depot.yaml:8: listeners.port: 65536 is out of range, allowed is 0 to 65535"
    ),
    ("port: 8443", "port: 8443\n    tls: off"): (
        "depot.yaml:9: listeners.tls: off without quotes is a truth value, "
        'allowed is text; in quotes it is text: "off"'
    ),
    ("port: 8443", "port: 8443\n    tls: old"): (
        "depot.yaml:9: listeners.tls: 'old' is unknown, allowed are modern, legacy, none, redirect"
    ),
    ("port: 8443", "port: 8443\n    i_accept_cleartext_passwords: yes"): (
        "depot.yaml:9: listeners.i_accept_cleartext_passwords: 'yes' is no truth value, "
        "allowed are true and false"
    ),
    ("port: 8443", "port: 8443\n    tls: redirect"): (
        "depot.yaml:7: listeners.tls: redirect leads nowhere, "
        "allowed with a listener of tls: modern beside it"
    ),
    ("port: 8443", "port: 8443\n    tls: legacy\n    until: 2027-03-31"): (
        "depot.yaml:7: listeners.clients: is missing, and tls: legacy weakens all that come by it, "
        "allowed is a list of the addresses or networks that are let in"
    ),
    ("port: 8443", "port: 8443\n    tls: legacy\n    clients: []\n    until: 2027-03-31"): (
        "depot.yaml:7: listeners.clients: is missing, and tls: legacy weakens all that come by it, "
        "allowed is a list of the addresses or networks that are let in"
    ),
    ("port: 8443", "port: 8443\n    tls: legacy\n    clients: [10.1.0.7]"): (
        "depot.yaml:7: listeners.until: is missing, and tls: legacy weakens all that come by it, "
        "allowed is the last day, such as 2027-03-31"
    ),
    ("port: 8443", "port: 8443\n    tls: legacy\n    clients: [10.1.0.7]\n    until:"): (
        "depot.yaml:7: listeners.until: is missing, and tls: legacy weakens all that come by it, "
        "allowed is the last day, such as 2027-03-31"
    ),
    ("port: 8443", "port: 8443\n    clients: [10.1.0.7]"): (
        "depot.yaml:7: listeners.clients: counts for nothing with tls: modern, "
        "allowed with tls: legacy"
    ),
    ("port: 8443", "port: 8443\n    tls: none\n    until: 2027-03-31"): (
        "depot.yaml:7: listeners.until: counts for nothing with tls: none, allowed with tls: legacy"
    ),
    ("port: 8443", "port: 8443\n    tls: legacy\n    clients: [gateway-7]"): (
        "depot.yaml:10: listeners.clients: 'gateway-7' is no address or network, "
        "allowed is one such as 10.1.0.5 or 10.1.0.0/24"
    ),
    ("port: 8443", "port: 8443\n    tls: legacy\n    clients: 10.1.0.7"): (
        "depot.yaml:10: listeners.clients: is no list, "
        "allowed are lines of `- value`, or [value, value]"
    ),
    **{
        ("port: 8443", f"port: 8443\n    tls: legacy\n    until: {until}"): (
            f"depot.yaml:10: listeners.until: {wrong}, allowed is a date such as 2027-03-31"
        )
        for until, wrong in {
            "2027-02-30": "'2027-02-30' is no date",
            "2027-3-31": "'2027-3-31' is no date",
            "20270331": "'20270331' is no date",
            "31.03.2027": "'31.03.2027' is no date",
            "2027-03-31T00:00:00Z": "'2027-03-31T00:00:00Z' is no date",
            "never": "'never' is no date",
            "[2027-03-31]": "is a list",
        }.items()
    },
    (
        "port: 8443",
        (
            "port: 8443\n    tls: legacy\n    clients: [10.1.0.7]\n    until: 2027-03-31"
            "\n  - {address: 127.0.0.1, port: 80, tls: redirect}"
        ),
    ): (
        "depot.yaml:12: listeners.tls: redirect leads nowhere, "
        "allowed with a listener of tls: modern beside it"
    ),
    ("127.0.0.1\n    port: 8443", "10.0.0.5\n    port: 8080\n    tls: none"): (
        "depot.yaml:7: listeners.tls: none would send passwords in clear text to 10.0.0.5, "
        "allowed with tls: modern, or with i_accept_cleartext_passwords: true"
    ),
    ("port: 8443", "port: 8443\n  - {address: 127.0.0.1, port: 8443}"): (
        "depot.yaml:9: listeners.port: 127.0.0.1 port 8443 is there twice, allowed is once"
    ),
    ("    users: any", "    users: any\n  - {url: /, path: /srv/b, users: any}"): (
        "depot.yaml:6: content.url: / is there twice, allowed is once"
    ),
    ("    users: any", "    users: any\n  - {url: /b, path: /srv/vendor/b, users: anonymous}"): (
        "depot.yaml:6: content.path: overlaps /srv/vendor (line 3), which has other readers, "
        "allowed are separate folders, or the same users"
    ),
    ("path: /srv/vendor", "path: /srv/depot"): (
        "depot.yaml:3: content.path: /srv/depot and the home /srv/depot/home overlap, "
        "allowed are folders apart from each other"
    ),
    ("path: /srv/vendor", "path: /srv/depot/home/store"): (
        "depot.yaml:3: content.path: /srv/depot/home/store and the home /srv/depot/home overlap, "
        "allowed are folders apart from each other"
    ),
    (LEAST[10:], "content: []\nlisteners: []\n"): (
        "depot.yaml:1: content: is empty, allowed is a list of one or more"
    ),
    (LEAST, ""): "depot.yaml:1: is empty, format and content are needed",
    (LEAST, "- a\n"): "depot.yaml:1: holds no keys, allowed are lines of `key: value`",
}


@pytest.mark.parametrize("change", CHANGED, ids=lambda change: repr(change[1])[:40])
def test_a_changed_value_is_named_with_its_line(change: tuple[str, str]) -> None:
    assert change[0] in LEAST
    assert _refusal(LEAST.replace(*change)) == CHANGED[change]


def test_text_that_is_no_utf8_is_named_by_its_line() -> None:
    with pytest.raises(CallerError) as caught:
        config.parse(b"format: 1\nrealm: \xff\n", home=HOME, name="depot.yaml")
    assert str(caught.value) == "depot.yaml:2: is no UTF-8 text"


def test_a_byte_order_mark_and_crlf_are_taken() -> None:
    content = b"\xef\xbb\xbf" + LEAST.replace("\n", "\r\n").encode()
    assert config.parse(content, home=HOME, name="depot.yaml") == _parse(LEAST)


def test_every_name_that_yaml_takes_for_something_else_is_taken_in_quotes() -> None:
    names = ["no", "007", "1e3", "2024-01-01", "null", "~", "0x1f", ".5", "on"]
    quoted = ", ".join(f'"{name}"' for name in names)
    assert _parse(_with(f"operators: [{quoted}]")).operators == tuple(names)


def test_two_mounts_may_overlap_when_the_same_users_read_both() -> None:
    more = "    users: [a, b]\n  - {url: /b, path: /srv/vendor/b, users: [b, a]}"
    assert len(_parse(LEAST.replace("    users: any", more)).content) == 2


def test_a_prefix_gets_its_slashes() -> None:
    for said, meant in {"/a": "/a/", "/a/": "/a/", "/a/b.c": "/a/b.c/", "/": "/"}.items():
        assert _parse(LEAST.replace("url: /\n", f"url: {said}\n")).content[0].url == meant


@pytest.mark.parametrize("address", ["127.0.0.1", "127.9.9.9", '"::1"'])
def test_clear_text_on_loopback_needs_no_leave(address: str) -> None:
    text = LEAST.replace("127.0.0.1\n", f"{address}\n    tls: none\n")
    assert _parse(text).listeners[0].tls == "none"


def test_clear_text_without_passwords_needs_no_leave() -> None:
    text = LEAST.replace("127.0.0.1\n", "10.0.0.5\n    tls: none\n")
    assert _parse(text.replace("users: any", "users: anonymous")).listeners[0].tls == "none"


def test_an_overlap_through_a_symlink_is_found(tmp_path: Path) -> None:
    (tmp_path / "tree" / "inner").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "tree" / "inner")
    more = f"    users: any\n  - {{url: /b, path: {tmp_path}/link, users: anonymous}}"
    text = LEAST.replace("/srv/vendor", f"{tmp_path}/tree").replace("    users: any", more)
    assert "overlaps" in _refusal(text)


def test_a_root_that_touches_the_home_through_a_symlink_is_found(tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "link").symlink_to(tmp_path)
    text = LEAST.replace("/srv/vendor", f"{tmp_path}/link").encode()
    with pytest.raises(CallerError, match="overlap"):
        config.parse(text, home=tmp_path / "home", name="depot.yaml")


def test_a_neighbour_whose_name_begins_like_the_home_does_not_touch_it() -> None:
    text = LEAST.replace("/srv/vendor", "/srv/depot/home-of-files")
    assert _parse(text).content[0].path == Path("/srv/depot/home-of-files")


def test_nesting_that_would_exhaust_the_reader_is_refused() -> None:
    for bomb in ("[" * 100_000, "a: " + "{a: " * 50_000, "- " * 100_000):
        said = _refusal(_with(f"x: {bomb}"))
        assert said.startswith("depot.yaml:9: ")


def test_aliases_that_would_multiply_are_refused() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 8)]
    assert f"{MOST_VALUES} values" in _refusal(_with(*lines))


def test_an_alias_that_holds_itself_is_refused() -> None:
    assert "too deep" in _refusal(_with("a: &a [*a]"))


def test_one_alias_for_a_list_of_users_is_taken() -> None:
    more = "    users: &team [a, b]\n  - {url: /b, path: /srv/b, users: *team}"
    assert _parse(LEAST.replace("    users: any", more)).content[1].users == ("a", "b")


@given(st.text(max_size=300))
def test_any_text_is_read_or_refused_with_a_line(text: str) -> None:
    try:
        _parse(text)
    except DepotError as error:
        assert error.where.startswith("depot.yaml:")  # noqa: PT017  # either may happen


@given(st.binary(max_size=100), st.integers(0, len(LEAST)))
def test_any_bytes_in_good_settings_are_read_or_refused_with_a_line(
    junk: bytes, place: int
) -> None:
    good = LEAST.encode()
    try:
        config.parse(good[:place] + junk + good[place:], home=HOME, name="depot.yaml")
    except DepotError as error:
        assert error.where.startswith("depot.yaml:")  # noqa: PT017  # either may happen


def test_a_missing_settings_file_is_named_with_the_reason(tmp_path: Path) -> None:
    with pytest.raises(SurroundingsError) as caught:
        config.load(tmp_path)
    assert str(caught.value) == f"{tmp_path}/depot.yaml: No such file or directory"


def test_a_settings_file_over_its_limit_is_refused(tmp_path: Path) -> None:
    (tmp_path / "depot.yaml").write_bytes(b"#" * (1 << 20) + b"\n")
    with pytest.raises(CallerError) as caught:
        config.load(tmp_path)
    assert str(caught.value) == f"{tmp_path}/depot.yaml: longer than 1048576 bytes"


def test_content_that_is_missing_is_named_with_line_path_and_reason() -> None:
    with pytest.raises(SurroundingsError) as caught:
        config.check_content(_parse(LEAST.replace("/srv/vendor", "/srv/depot-no-such")))
    assert str(caught.value) == (
        "depot.yaml:3: content.path: /srv/depot-no-such: No such file or directory, "
        "allowed is a folder that can be read"
    )


def test_content_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(SurroundingsError, match="Not a directory"):
        config.check_content(_parse(LEAST.replace("/srv/vendor", f"{tmp_path}/file")))


def test_serve_starts_nothing_with_bad_settings_and_says_why_in_one_line(
    tmp_path: Path, tree: Path
) -> None:
    home = harness.make_home(tmp_path / "home", tree)
    file = home / "depot.yaml"
    file.write_text(file.read_text() + "drian: 3\n")
    line = len(file.read_text().splitlines())
    done = harness.run("serve", "--home", home, timeout=60)
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr.decode() == (
        f"depotserve: depot.yaml:{line}: drian: is no setting, did you mean drain?\n"
    )


def test_serve_starts_nothing_without_its_content(tmp_path: Path, tree: Path) -> None:
    home = harness.make_home(tmp_path / "home", tree)
    os.rename(tree, tmp_path / "away")
    done = harness.run("serve", "--home", home, timeout=60)
    assert done.returncode == 2
    assert done.stderr.decode() == (
        f"depotserve: depot.yaml:5: content.path: {tree}: No such file or directory, "
        "allowed is a folder that can be read\n"
    )
