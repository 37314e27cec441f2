"""One seeded world behind a virtual controller, microphone and camera."""
