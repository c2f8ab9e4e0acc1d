"""Components of a vehicle and their maps: read, checked, scaled; nothing here knows what is joined to what."""
