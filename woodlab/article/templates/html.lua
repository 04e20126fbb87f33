-- The title is the page's first heading; those of the text come below it.
function Header(header)
  header.level = header.level + 1
  return header
end
