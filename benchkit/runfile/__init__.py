"""The run file: writing, reading, recovering. The one door to h5py."""
