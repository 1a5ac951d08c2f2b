"""Changes of product and of carriers: how long, made of what, and what the best seen was."""
