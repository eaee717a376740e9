"""Steps for programs on the JVM, which read a trust store."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

from depotserve.tls.trust.steps import Step

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.tls.trust.steps import Given

__all__ = ["compare", "install", "test"]

_ANY_WORD = "WORD"  # stands for a word of the person's own, which is shown nowhere
_READERS = {
    False: "This form is read by Java 8 from update 301, by 11 from 11.0.12, and by 12 and later;"
    " --compatible writes one for what is older.",
    True: "This form is read by every Java from 8 on, also before update 301.",
}
# Between quotes, so that blanks before a line that is pasted change nothing.
_PROGRAM = """\
echo 'public class TrustTest {
    public static void main(String[] urls) throws Exception {
        for (String url : urls) {
            java.net.URL place = java.net.URI.create(url).toURL();
            int status = ((java.net.HttpURLConnection) place.openConnection()).getResponseCode();
            System.out.println(url + " " + status);
        }
    }
}' > TrustTest.java"""


def compare(given: Given) -> Sequence[Step]:
    """Say how the fingerprints in the store are shown."""
    return [Step("What the file holds is shown on the client by:", (_listing(given),))]


def install(given: Given) -> Sequence[Step]:
    """Say how one program, or each of a JVM, is given the store."""
    store = f"-srckeystore {given.file} -srcstoretype PKCS12{_word_option(given, 'srcstorepass')}"
    target = '-destkeystore "$JAVA_HOME/lib/security/cacerts" -deststorepass changeit'
    return [
        Step(f"{_READERS[given.compatible]} {_about_word(given)}"),
        Step(
            "For one program, which then trusts nobody else, start it with these options; where"
            " its start line is out of reach, they go into the variable JAVA_TOOL_OPTIONS. Give"
            " the file's full path unless the program runs in the file's folder:",
            (f"java {_properties(given)} PROGRAM",),
        ),
        Step(
            "Or for every program of one JVM, beside what it trusts already (the store of a JDK 8"
            " is jre/lib/security/cacerts):",
            (f"keytool -importkeystore -noprompt {store} {target}",),
        ),
    ]


def test(given: Given) -> Sequence[Step]:
    """Say how it is seen that a JVM trusts the depot."""
    run = f"java {_properties(given)} -cp . TrustTest {given.quoted_urls}"
    return [
        Step("Each authority is listed as trustedCertEntry by:", (_listing(given),)),
        Step(
            "With a JDK, each line that this prints ends in 200; 'PKIX path building failed' means"
            " that the store is another depot's:",
            (_PROGRAM, "javac TrustTest.java", run),
        ),
    ]


def _listing(given: Given) -> str:
    options = f"-storetype PKCS12{_word_option(given, 'storepass')}"
    return f"keytool -list -keystore {given.file} {options}"


def _properties(given: Given) -> str:
    values = {
        "trustStore": given.file,
        "trustStoreType": "PKCS12",
        "trustStorePassword": given.word or _ANY_WORD,
    }
    return " ".join(f"-Djavax.net.ssl.{name}={value}" for name, value in values.items())


def _about_word(given: Given) -> str:
    if given.word is None:
        return f"{_ANY_WORD} stands for the word that you gave; keytool asks for it."
    return (
        f"Its word is {given.word}, as a JVM's own store has it: a trust store holds no secret,"
        " but without the word Java finds nothing in it."
    )


def _word_option(given: Given, option: str) -> str:
    """Give keytool's option; without it keytool asks, so that no word stands on a screen."""
    return "" if given.word is None else f" -{option} {shlex.quote(given.word)}"
