-- What pandoc's typst writer leaves out: alt text of pictures, and the look of a box.
local function quoted(text)
  return '"' .. text:gsub('\\', '\\\\'):gsub('"', '\\"'):gsub('[\r\n]', ' ') .. '"'
end

function Image(image)
  local width = image.attributes.width or "100%"
  local alt = pandoc.utils.stringify(image.caption)
  return pandoc.RawInline("typst", "#image(" .. quoted(image.src) .. ", width: " .. width ..
    ", alt: " .. quoted(alt) .. ")")
end

function Div(div)
  if not div.classes:includes("box") then return nil end
  local blocks = pandoc.Blocks({pandoc.RawBlock("typst", "#box-panel[")})
  blocks:extend(div.content)
  blocks:insert(pandoc.RawBlock("typst", "]"))
  return blocks
end
