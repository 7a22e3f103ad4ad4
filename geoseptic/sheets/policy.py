"""The content security policies of pages."""

import base64
import hashlib


def allowed(content: str) -> str:
    """The name under which a policy allows a script or style."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(content.encode('utf-8')).digest()).decode()}'"
