"""Makes this folder the package `tests` wherever another distribution has installed one of its own, as pygeoapi does."""
