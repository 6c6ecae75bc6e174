"""All cases: importing this module registers them."""

from tests.attack import on_page

ALL = (on_page,)
