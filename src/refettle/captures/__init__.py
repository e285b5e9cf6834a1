"""What oscilloscopes, meters and sound cards save, read into arrays. Bytes in, plain values out."""
