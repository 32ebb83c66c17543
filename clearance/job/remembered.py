"""Owns what is worked out once for a site: by the site whose ground, wires, stages and weather it shares.

A scene without some of its statements has a site of its own, in which wires hang and tails go as they did. What rests
on nothing else is not worked out again for it. What may rest on a statement is not remembered here.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Concatenate, ParamSpec, TypeVar

from clearance.scene.assemble import Site

Given = ParamSpec("Given")
Found = TypeVar("Found")


def once_a_site(make: Callable[Concatenate[Site, Given], Found]) -> Callable[Concatenate[Site, Given], Found]:
    """The function, worked out once for a site and what else it is given, all of which must be hashable."""
    known: Callable[..., Found] = lru_cache(maxsize=64)(make)

    def of_site(site: Site, /, *args: Given.args, **kwargs: Given.kwargs) -> Found:
        return known(site.same or site, *args, **kwargs)

    of_site.__doc__ = make.__doc__
    return of_site
