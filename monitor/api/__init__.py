"""The HTTP API under /api/v1: routers by noun, one access rule per route, problem documents for every error."""
