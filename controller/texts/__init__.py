"""The catalogue of texts: every sentence that a person reads, found by its key."""

from controller.texts.catalogue import CATALOGUE, Catalogue, Message, Value, text, text_or_none

__all__ = ["CATALOGUE", "Catalogue", "Message", "Value", "text", "text_or_none"]
