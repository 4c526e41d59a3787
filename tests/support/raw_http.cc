#include "tests/support/raw_http.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <cctype>

namespace bayward {

RawHttp::RawHttp(std::uint16_t port) : socket_(socket(AF_INET, SOCK_STREAM, 0)) {
  const timeval patience{.tv_sec = 20, .tv_usec = 0};
  setsockopt(socket_, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof(patience));
  setsockopt(socket_, SOL_SOCKET, SO_SNDTIMEO, &patience, sizeof(patience));
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_port = htons(port);
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  connected_ = connect(socket_, reinterpret_cast<sockaddr*>(&address), sizeof(address)) == 0;
}

RawHttp::~RawHttp() { close(socket_); }

bool RawHttp::Send(std::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t sent = send(socket_, bytes.data(), bytes.size(), MSG_NOSIGNAL);
    if (sent <= 0) return false;
    bytes.remove_prefix(static_cast<std::size_t>(sent));
  }
  return true;
}

bool RawHttp::Fill() {
  char chunk[16384];
  const ssize_t got = recv(socket_, chunk, sizeof(chunk), 0);
  if (got <= 0) return false;
  buffer_.append(chunk, static_cast<std::size_t>(got));
  return true;
}

std::optional<RawResponse> RawHttp::Read(bool to_head) {
  std::size_t end = 0;
  while ((end = buffer_.find("\r\n\r\n")) == std::string::npos) {
    if (!Fill()) return std::nullopt;
  }
  RawResponse response;
  const std::string header = buffer_.substr(0, end + 2);
  buffer_.erase(0, end + 4);
  response.status = std::stoi(header.substr(header.find(' ') + 1));
  std::size_t line = header.find("\r\n") + 2;
  while (line < header.size()) {
    const std::size_t line_end = header.find("\r\n", line);
    const std::size_t colon = header.find(':', line);
    std::string name = header.substr(line, colon - line);
    std::transform(name.begin(), name.end(), name.begin(),
                   [](char c) { return static_cast<char>(std::tolower(static_cast<unsigned char>(c))); });
    response.headers[name] = header.substr(colon + 2, line_end - colon - 2);
    line = line_end + 2;
  }
  const auto length = response.headers.find("content-length");
  const std::size_t expected = to_head || length == response.headers.end() ? 0 : std::stoul(length->second);
  while (buffer_.size() < expected) {
    if (!Fill()) return std::nullopt;
  }
  response.body = buffer_.substr(0, expected);
  buffer_.erase(0, expected);
  return response;
}

bool RawHttp::ReadsEnd() {
  char byte = 0;
  return buffer_.empty() && recv(socket_, &byte, 1, 0) == 0;
}

std::string MakeRequest(std::string_view method, std::string_view path, std::string_view body,
                        const std::vector<std::pair<std::string, std::string>>& headers) {
  std::string text;
  text.append(method).append(" ").append(path).append(" HTTP/1.1\r\nHost: localhost\r\n");
  for (const auto& [name, value] : headers) text.append(name).append(": ").append(value).append("\r\n");
  if (!body.empty()) text.append("Content-Length: ").append(std::to_string(body.size())).append("\r\n");
  return text.append("\r\n").append(body);
}

std::string MakePost(std::string_view path, std::string_view json) {
  return MakeRequest("POST", path, json, {{"Content-Type", "application/json"}});
}

std::optional<RawResponse> Ask(std::uint16_t port, const std::string& request) {
  RawHttp http(port);
  if (!http.Send(request)) return std::nullopt;
  return http.Read(request.starts_with("HEAD "));
}

}  // namespace bayward
