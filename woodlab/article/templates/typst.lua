-- What pandoc's typst writer leaves out: alt text of pictures, and the look of a box. The width
-- of a picture comes as metadata, by its file's name.
local widths = {}

local function quoted(text)
  return '"' .. text:gsub('\\', '\\\\'):gsub('"', '\\"'):gsub('[\r\n]', ' ') .. '"'
end

local function image(found)
  local name = found.src:match("([^/]+)%.png$") or ""
  local width = widths[name] and pandoc.utils.stringify(widths[name]) or "100%"
  local alt = found.attributes.alt or pandoc.utils.stringify(found.caption)
  return pandoc.RawInline("typst", "#image(" .. quoted(found.src) .. ", width: " .. width ..
    ", alt: " .. quoted(alt) .. ")")
end

-- Boxes as arguments of one function of the template, which lays them out.
local function div(found)
  if not found.classes:includes("boxes") then return nil end
  local blocks = pandoc.Blocks({pandoc.RawBlock("typst", "#boxes(")})
  for _, one in ipairs(found.content) do
    blocks:insert(pandoc.RawBlock("typst", "["))
    blocks:extend(one.content)
    blocks:insert(pandoc.RawBlock("typst", "],"))
  end
  blocks:insert(pandoc.RawBlock("typst", ")"))
  return blocks
end

function Pandoc(article)
  widths = article.meta.widths or {}
  return article:walk({Image = image, Div = div})
end
