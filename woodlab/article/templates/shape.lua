-- From plain Markdown to an article's parts: a picture and the line in italics under it are a
-- figure, a table and the line in italics under it a captioned table, a quotation is a box; boxes
-- one after the other are a group, which print sets in two columns.
local function slanted(block)
  return block and block.t == "Para" and #block.content == 1 and block.content[1].t == "Emph"
    and block.content[1].content
end

-- A picture keeps its alt text beside a caption of its own; a page takes it as SVG.
local function picture(image)
  image.attributes.alt = pandoc.utils.stringify(image.caption)
  if FORMAT:match("html") then
    image.src = (image.src:gsub("%.png$", ".svg"))
  end
  return image
end

-- A word processor has a style for a box's heading, which stays with what follows, and its items.
local function styled(content, style)
  return pandoc.Div(content, {["custom-style"] = style})
end

local function box(content)
  if FORMAT:match("docx") then
    content[1] = styled({content[1]}, "Box Heading")
    content = content:walk({Plain = function(item)
      return styled({pandoc.Para(item.content)}, "Box Item")
    end})
  end
  return pandoc.Div(content, {class = "box", ["custom-style"] = "Box"})
end

function Blocks(blocks)
  local out = pandoc.Blocks({})
  local k = 1
  while k <= #blocks do
    local block, under = blocks[k], slanted(blocks[k + 1])
    if block.t == "Figure" then
      block = block:walk({Image = picture})
      if under then
        block.caption.long = pandoc.Blocks({pandoc.Plain(under)})
        k = k + 1
      end
    elseif block.t == "Table" and under then
      block.caption.long = pandoc.Blocks({pandoc.Plain(under)})
      k = k + 1
    elseif block.t == "BlockQuote" then
      local group, last = box(block.content), out[#out]
      if not FORMAT:match("docx") then
        group = pandoc.Div({group}, {class = "boxes"})
      end
      if last and last.t == "Div" and last.classes:includes("boxes") then
        last.content:extend(group.content)
        group = nil
      end
      block = group
    end
    if block then out:insert(block) end
    k = k + 1
  end
  return out
end

function Pandoc(article)
  for _, block in ipairs(article.blocks) do
    if block.t == "Header" then
      article.meta.pagetitle = pandoc.utils.stringify(block)
      break
    end
  end
  return article
end
