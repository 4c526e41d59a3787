#include "agent/codebook/code_book.h"

#include <cerrno>
#include <cstring>
#include <fstream>
#include <sstream>

#include "agent/codebook/book_reader.h"
#include "proto/common/digest.h"
#include "fmt/format.h"

namespace bayward {

std::shared_ptr<const CodeBook> ParseCodeBook(std::string_view text, const std::string& file,
                                              std::vector<std::string>& faults) {
  const std::size_t before = faults.size();
  const auto toml = TomlText::Parse(text, file, faults);
  if (!toml.has_value()) return nullptr;

  auto book = std::make_shared<CodeBook>();
  TableReader root(toml->table(), "the code book", file, faults);
  book->name = root.Text("name");
  book->version = root.Text("version");
  book->sha256 = Sha256Hex(text);
  if (!root.Has("source")) root.Fault("source", "the code book has no \"source\": \"modbus\" or \"lines\"");
  const auto source = root.Choice("source", {"modbus", "lines"});
  const Delays delays = Delays::Read(root);
  if (source.has_value()) {
    book->source = static_cast<BookSource>(*source);
    if (book->source == BookSource::kModbus) {
      ReadModbusBook(root, delays, *book);
    } else {
      ReadLinesBook(root, delays, *book);
    }
    root.RefuseUnknown();
  }
  if (faults.size() != before) return nullptr;
  return book;
}

std::shared_ptr<const CodeBook> ReadCodeBook(const std::filesystem::path& path,
                                             std::vector<std::string>& faults) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  if (file.is_open()) text << file.rdbuf();
  if (!file.is_open() || file.bad() || text.str().empty()) {
    faults.push_back(fmt::format("{}:1: the code book cannot be read or is empty: {}", path.string(),
                                 errno != 0 ? std::strerror(errno) : "no content"));
    return nullptr;
  }
  return ParseCodeBook(text.str(), path.string(), faults);
}

}  // namespace bayward
