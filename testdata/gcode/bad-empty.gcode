; nothing but a comment

