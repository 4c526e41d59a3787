#include "server/cli/report/report_csv.h"

#include <cmath>
#include <utility>

#include "fmt/format.h"
#include "server/cli/table.h"

namespace bayward::cli::report {
namespace {

std::string Quoted(std::string field) {
  if (field.find_first_of(",\"\r\n") == std::string::npos) return field;
  for (std::size_t at = field.find('"'); at != std::string::npos; at = field.find('"', at + 2))
    field.insert(at, "\"");
  return "\"" + field + "\"";
}

// The shortest that reads back as the same.
std::string Number(double value) { return std::isfinite(value) ? fmt::format("{}", value) : ""; }

// The unit has a field of its own.
std::string ColumnName(const TableColumn& column) {
  std::string name = WholeHeading(column);
  for (const std::string& end : {", " + column.unit, " " + column.unit}) {
    if (!column.unit.empty() && name.size() > end.size() && name.ends_with(end))
      name.resize(name.size() - end.size());
  }
  return name.empty() ? "remark" : name;
}

// What the row is about: its first cell of words, or its first cell.
const std::string& NameOf(const std::vector<Cell>& row) {
  for (const Cell& cell : row) {
    if (!cell.exact.empty()) return cell.exact;
    if (!cell.number && !cell.range && !cell.text.empty()) return cell.text;
  }
  return row[0].text;
}

class Writer {
 public:
  explicit Writer(std::string section) : section_(std::move(section)) {}

  void Words(const char* table, std::size_t row, std::string_view name, std::string_view words) {
    Line(table, row, name, "text", CsvWords(words), "");
  }

  void Rows(const Table& table) {
    for (std::size_t i = 0; i < table.rows.size(); ++i) Row(table, i + 1, table.rows[i]);
    if (!table.total.empty()) Row(table, 0, table.total);
  }

  void operator()(const Paragraph& paragraph) { Words("words", ++words_, "", paragraph.text); }
  void operator()(const Notes& notes) {
    for (const std::string& sentence : notes.sentences) Words("notes", ++notes_, "", sentence);
  }
  void operator()(const Definitions& definitions) {
    std::size_t row = 0;
    for (const Definition& entry : definitions.entries) Words("definitions", ++row, entry.term, entry.meaning);
  }
  void operator()(const Table& table) { Rows(table); }
  void operator()(const Figure& figure) { Rows(figure.numbers); }

  std::string Take() { return std::move(out_); }

 private:
  void Line(std::string_view table, std::size_t row, std::string_view name, std::string_view column,
            std::string_view value, std::string_view unit) {
    out_ += fmt::format("{},{},{},{},{},{},{}\r\n", section_, table, row, CsvWords(name), CsvWords(column), value,
                        Quoted(std::string(unit)));
  }

  void Row(const Table& table, std::size_t number, const std::vector<Cell>& row) {
    const std::string& name = NameOf(row);
    for (std::size_t i = 0; i < row.size(); ++i) {
      const TableColumn& column = table.columns[i];
      const std::string heading = ColumnName(column);
      const Cell& cell = row[i];
      if (cell.range) {
        Line(table.id, number, name, heading + ", low", Number(cell.range->first), column.unit);
        Line(table.id, number, name, heading + ", high", Number(cell.range->second), column.unit);
      } else if (cell.number) {
        Line(table.id, number, name, heading, Number(*cell.number), column.unit);
      } else if (!cell.text.empty()) {
        Line(table.id, number, name, heading, CsvWords(cell.exact.empty() ? cell.text : cell.exact), "");
      }
    }
  }

  const std::string section_;
  std::string out_;
  std::size_t words_ = 0;
  std::size_t notes_ = 0;
};

}  // namespace

std::string CsvWords(std::string_view words) {
  const bool formula = !words.empty() && std::string_view("=+-@\t\r").find(words[0]) != std::string_view::npos;
  return Quoted((formula ? "'" : "") + Printable(words));
}

std::string RenderReportCsv(const Document& document) {
  std::string out = "section,table,row,name,column,value,unit\r\n";
  Writer heading("report");
  std::size_t row = 0;
  heading.Words("heading", ++row, "Title", document.title);
  for (const auto& [name, value] : document.heading) heading.Words("heading", ++row, name, value);
  out += heading.Take();
  for (const Section& section : document.sections) {
    Writer writer(section.id);
    for (const Block& block : section.blocks) std::visit(writer, block);
    out += writer.Take();
  }
  return out;
}

}  // namespace bayward::cli::report
