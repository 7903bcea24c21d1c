"""What people see: the photo with the measurement drawn on it, a chart of all teeth, the worst tooth beside the ideal.

Pictures come as bytes; nothing here opens a file.
"""

from toothcheck.overlay.chain import chain_picture
from toothcheck.overlay.chart import teeth_chart, tooth_pair
from toothcheck.overlay.drawing import hook_said, said
from toothcheck.overlay.frames import median_drive_loss
from toothcheck.overlay.photograph import picture

__all__ = ["chain_picture", "hook_said", "median_drive_loss", "picture", "said", "teeth_chart", "tooth_pair"]
