"""Material from outside the project: real footage, numbers burnt in by ffmpeg, known truth.

Nothing here uses the project's own drawing or decoding. Footage belongs to its packages: it is
found where the package lies and never copied into the repository.
"""
