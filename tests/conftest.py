"""What every test rests on: one thread, no network, no book of the user's own."""

import os
import socket

import pytest

# Read when a test first imports numpy. The matrices here are small: two threads wait for each other more than
# they help, and the last digits would depend on the machine.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

_HERE = ("127.0.0.1", "::1", "localhost")


@pytest.fixture(autouse=True, scope="session")
def no_network():
    """Refuse connections to other machines: the project needs none, and neither may a test."""
    connect = socket.socket.connect

    def refused(self, address):
        if self.family in (socket.AF_INET, socket.AF_INET6) and address[0] not in _HERE:
            raise ConnectionRefusedError(f"a test reaches for the network: {address}")
        return connect(self, address)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", refused)
        yield


@pytest.fixture(autouse=True, scope="session")
def no_book_of_the_users(tmp_path_factory):
    """Keep the book of whoever runs the tests out of their way."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("LEADLINE_BOOK", raising=False)
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield
