"""What a person sees: terminal text, pictures, the HTML report."""
