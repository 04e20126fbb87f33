-- The page's title, as the browser shows it, is the article's first heading.
function Pandoc(article)
  for _, block in ipairs(article.blocks) do
    if block.t == "Header" then
      article.meta.pagetitle = pandoc.utils.stringify(block)
      break
    end
  end
  return article
end
