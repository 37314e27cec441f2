"""Files: the plate folder, tap sets, rig files, outlines, sound files, exports."""
