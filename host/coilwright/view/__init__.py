"""What a person sees: live view, texts, plots. Nothing here measures or decides."""
