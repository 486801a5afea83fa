"""From a judged day to what people read: Markdown, pictures, findings files, HTML."""
