"""Telling people what is amiss, wherever they are: in which words, by mail and by webhook."""
