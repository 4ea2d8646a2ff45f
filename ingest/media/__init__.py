"""What a media file says of itself, and pictures taken from it: read in a child process, used by the parent.

The parent's side is `kinds`, `facts` and `pool`. Everything else is imported by the child alone, because
it loads parsers and decoders, and those meet hostile files.
"""
