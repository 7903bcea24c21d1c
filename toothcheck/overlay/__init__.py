"""What people see: the photo with the measurement drawn on it, a chart of all teeth, the worst tooth beside the ideal.

Pictures come as bytes; nothing here opens a file.
"""

from toothcheck.overlay.chain import chain_picture
from toothcheck.overlay.chart import teeth_chart, tooth_pair
from toothcheck.overlay.photograph import picture, tips_shown

__all__ = ["chain_picture", "picture", "teeth_chart", "tips_shown", "tooth_pair"]
