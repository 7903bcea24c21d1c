"""Small scenes of one worn front sprocket, beside the pocket card, that tests look at in several ways."""

from toothcheck.synthetic import Part, Scene, Wear


def worn_front(*, teeth, blend, depth_mm, scatter, size_px, seed):
    """A 520 front sprocket worn by grit, seen a little from the side."""
    return Scene(
        part=Part(
            chain="520", teeth=teeth, blend=blend, thickness_mm=5.9, bore_mm=22.0,
            wear=Wear(kind="grit", depth_mm=depth_mm, climb=0.5, scatter=scatter),
        ),
        size_px=size_px, focal_35mm=50, distance_mm=360, tilt_deg=6, azimuth_deg=40, look_at_mm=(40, 0),
        card_at_mm=(92, 0), seed=seed,
    )  # fmt: skip
