"""The three kinds of document as frozen pydantic models."""
