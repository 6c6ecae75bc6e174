"""All cases: importing this module registers them."""

from tests.attack import on_mqtt, on_page, on_sockets

ALL = (on_page, on_sockets, on_mqtt)
