"""What nights leave in the store: which days were judged, and what people were sent."""
