"""The demo's own studio: draws a card and favourites, so that no photographs need to be shipped.

May not start the service or print: whoever runs the demo does. Importing this needs no Pillow; drawing does.
"""

from __future__ import annotations

from replicatord.cli.demo.card import draw_card, draw_favourites, draw_late_file
from replicatord.cli.demo.needs import DemoCannotWrite, DemoNeedsPillow

__all__ = ["DemoCannotWrite", "DemoNeedsPillow", "draw_card", "draw_favourites", "draw_late_file"]
