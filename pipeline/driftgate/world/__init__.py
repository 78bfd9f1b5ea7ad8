"""The field as geometry: surfaces, loose elements, rays, footprints."""
