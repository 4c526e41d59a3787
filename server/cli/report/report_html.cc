#include "server/cli/report/report_html.h"

#include <algorithm>
#include <set>
#include <vector>

#include "fmt/format.h"
#include "server/cli/report/html_style.h"
#include "server/cli/report/markup.h"
#include "server/cli/report/svg_chart.h"

namespace bayward::cli::report {
namespace {

// Sections that begin a new sheet of paper, so that a report falls apart where its matter does.
const std::set<std::string>& SheetStarts() {
  static const auto* const starts = new std::set<std::string>{"availability", "faults", "losses", "definitions"};
  return *starts;
}

// A table of no more rows stays on one sheet of paper.
constexpr std::size_t kShortRows = 24;

// Columns in which any row has something.
std::vector<std::size_t> UsedColumns(const Table& table) {
  std::vector<std::size_t> used;
  for (std::size_t i = 0; i < table.columns.size(); ++i) {
    const auto says = [i](const std::vector<Cell>& row) {
      return i < row.size() && (row[i].bar || !row[i].text.empty());
    };
    if (says(table.total) || std::any_of(table.rows.begin(), table.rows.end(), says)) used.push_back(i);
  }
  return used;
}

// The first column of words names the row.
std::size_t NamingColumn(const Table& table, const std::vector<std::size_t>& used) {
  for (const std::size_t i : used) {
    if (!table.columns[i].right) return i;
  }
  return used.empty() ? 0 : used.front();
}

std::string RowHtml(const Table& table, const std::vector<std::size_t>& used, const std::vector<Cell>& row) {
  std::string out = "<tr>";
  const std::size_t naming = NamingColumn(table, used);
  for (const std::size_t i : used) {
    const char* words = table.columns[i].right ? "" : R"( class="words")";
    const std::string cell = row[i].bar ? DrawBar(*row[i].bar, table.bar_from) : Escaped(row[i].text);
    out += i == naming ? fmt::format(R"(<th scope="row"{}>{}</th>)", words, cell)
                       : fmt::format("<td{}>{}</td>", words, cell);
  }
  return out + "</tr>\n";
}

std::string BeneathHtml(const Table& table, std::size_t shown, bool bars) {
  std::string out;
  if (shown < table.rows.size()) out += fmt::format("<p class=\"beneath\">{}</p>\n", Escaped(LeftOutText(table)));
  if (bars) {
    out += fmt::format(
        "<p class=\"beneath\">Bars from {:g} % to 100 %: filled is reached, striped is left open by unknown time, "
        "the upright mark is the target.</p>\n",
        table.bar_from * 100);
  }
  return out;
}

std::string TableHtml(const Table& table) {
  const std::vector<std::size_t> used = UsedColumns(table);
  const std::size_t shown = RowsShown(table);
  std::string out = fmt::format("<div class=\"wide{}\"><table>\n<caption>{}</caption>\n<thead><tr>",
                                shown <= kShortRows ? " short" : "", Escaped(table.caption));
  bool bars = false;
  for (const std::size_t i : used) {
    const bool bar =
        std::any_of(table.rows.begin(), table.rows.end(), [i](const auto& row) { return row[i].bar.has_value(); });
    bars = bars || bar;
    // An empty heading says nothing to those who hear the table.
    const std::string heading =
        table.columns[i].heading.empty() && bar ? "as a bar" : Escaped(WholeHeading(table.columns[i]));
    out += fmt::format(R"(<th scope="col"{}>{}</th>)", table.columns[i].right ? "" : R"( class="words")", heading);
  }
  out += "</tr></thead>\n<tbody>\n";
  for (std::size_t i = 0; i < shown; ++i) out += RowHtml(table, used, table.rows[i]);
  out += "</tbody>\n";
  if (!table.total.empty()) out += "<tfoot>\n" + RowHtml(table, used, table.total) + "</tfoot>\n";
  return out + "</table></div>\n" + BeneathHtml(table, shown, bars);
}

struct BlockHtml {
  std::string operator()(const Paragraph& paragraph) const {
    return fmt::format("<p{}>{}</p>\n", paragraph.strong ? R"( class="missing")" : "", Escaped(paragraph.text));
  }
  std::string operator()(const Notes& notes) const {
    if (notes.sentences.empty()) return "";
    std::string out = "<ul>\n";
    for (const std::string& sentence : notes.sentences) out += "<li>" + Escaped(sentence) + "</li>\n";
    return out + "</ul>\n";
  }
  std::string operator()(const Definitions& definitions) const {
    std::string out = "<dl class=\"meanings\">\n";
    for (const Definition& entry : definitions.entries) {
      out += fmt::format("<dt>{}</dt><dd>{}</dd>\n", Escaped(entry.term), Escaped(entry.meaning));
    }
    return out + "</dl>\n";
  }
  std::string operator()(const Table& table) const { return TableHtml(table); }
  std::string operator()(const Figure& figure) const {
    return fmt::format("<figure>\n<figcaption><span class=\"title\">{}.</span> {}</figcaption>\n{}{}</figure>\n",
                       Escaped(figure.title), Escaped(figure.description),
                       DrawChart(figure.chart, "chart-" + figure.id, figure.title, figure.description),
                       TableHtml(figure.numbers));
  }
};

std::string ContentsHtml(const Document& document) {
  std::string out = "<nav aria-label=\"Contents\"><ol>\n";
  for (const Section& section : document.sections) {
    out += fmt::format("<li><a href=\"#{}\">{}</a></li>\n", section.id, Escaped(section.title));
  }
  return out + "</ol></nav>\n";
}

}  // namespace

std::string RenderReportHtml(const Document& document) {
  const std::string title = Escaped(document.title);
  std::string out =
      "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n"
      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n";
  out += "<title>" + title + "</title>\n<style>" + kHtmlStyle + "</style>\n</head>\n<body>\n" + BarDefinitions();
  out += "<header>\n<h1>" + title + "</h1>\n<dl class=\"heading\">\n";
  for (const auto& [name, value] : document.heading) {
    out += fmt::format("<dt>{}</dt><dd>{}</dd>\n", Escaped(name), Escaped(value));
  }
  out += "</dl>\n</header>\n" + ContentsHtml(document) + "<main>\n";
  for (const Section& section : document.sections) {
    out += fmt::format("<section id=\"{}\"{}>\n<h2>{}</h2>\n", section.id,
                       SheetStarts().contains(section.id) ? " class=\"sheet\"" : "", Escaped(section.title));
    for (const Block& block : section.blocks) out += std::visit(BlockHtml(), block);
    out += "</section>\n";
  }
  return out + "</main>\n</body>\n</html>\n";
}

}  // namespace bayward::cli::report
