"""The handbook: chapters for student, instructor and technician, as Markdown.

Sentences, the vehicle file and the words are generated from what the program itself reads. It knows cars and
their sentences, and nothing of a running lab, a class or a page.
"""
