"""The four kinds of document as frozen pydantic models."""
