"""All cases: importing this module registers them."""

from tests.attack import on_files, on_head, on_http, on_mqtt, on_page, on_shore, on_sockets, on_store

ALL = (on_page, on_http, on_sockets, on_mqtt, on_shore, on_head, on_store, on_files)
