"""Physical truth: what the liquid, the yeast, the vessel, the room and the fridge really do."""
