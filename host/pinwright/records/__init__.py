"""Certificates and reports: the sealed document and the folder that keeps them."""
