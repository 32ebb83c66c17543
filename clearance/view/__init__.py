"""Scene and result as things to look at: the 3D page, the live page, pictures. No verdict is made here."""
