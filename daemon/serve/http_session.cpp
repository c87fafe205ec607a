// This file is long because a connection is one chain of callbacks, each of which names the next.
#include "serve/http_session.hpp"

#include <algorithm>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <chrono>
#include <functional>
#include <optional>
#include <sstream>

#include "serve/access.hpp"

namespace tickledger {

namespace {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using boost::system::error_code;
using Protocol = asio::generic::stream_protocol;

// How long a refused client may take to read the reason, and how much it may send meanwhile.
constexpr auto farewell = std::chrono::seconds{2};
constexpr std::size_t farewell_bytes_max = std::size_t{1024} * 1024;

Response problem_of_unreadable(error_code error, const HttpLimits& limits) {
    if (error == http::error::header_limit || error == http::error::buffer_overflow) {
        return problem(431,
                       "The request's header, or the data around the chunks of its body, is larger than " +
                           std::to_string(limits.header_bytes) + " bytes.");
    }
    if (error == http::error::body_limit) {
        return problem(413,
                       "The request's body is larger than " + std::to_string(limits.body_bytes) + " bytes.");
    }
    return problem(400, "The request cannot be read as HTTP/1.1: " + error.message() + ".");
}

/// Refuses a request whose end cannot be determined. Only "chunked" is understood, alone and in HTTP/1.1 (RFC
/// 9112, section 6.1). Anything else could hide a second request.
std::optional<Response> refusal_of_framing(const http::request_header<>& header) {
    const auto codings = header.count(http::field::transfer_encoding);
    if (codings == 0) return std::nullopt;
    if (header.version() < 11) return problem(400, "HTTP/1.0 has no Transfer-Encoding.");
    if (codings == 1 && beast::iequals(header[http::field::transfer_encoding], "chunked"))
        return std::nullopt;
    return problem(501, "Of all transfer codings, only \"chunked\" is understood here, and only alone.");
}

Caller caller_of(const http::request_header<>& header, bool is_local) {
    return {.is_local = is_local,
            .must_name_host = header.version() >= 11,
            .method = header.method_string(),
            .hosts = header.count(http::field::host),
            .origins = header.count(http::field::origin),
            .host = header[http::field::host],
            .origin = header[http::field::origin],
            .authorization = header[http::field::authorization],
            .content_type = header[http::field::content_type]};
}

}  // namespace

// One connection. It reads a request, writes the answer, and repeats. The handlers that wait for it keep it
// alive.
class Session : public std::enable_shared_from_this<Session> {
public:
    Session(Protocol::socket socket, std::shared_ptr<Sessions> sessions, Sessions::Place place)
        : stream_(std::move(socket)),
          sessions_(std::move(sessions)),
          place_(place),
          buffer_(2 * sessions_->limits.header_bytes) {
        ++sessions_->taken(place_);
    }
    Session(const Session&) = delete;
    Session& operator=(const Session&) = delete;
    ~Session() {
        sessions_->waiting.erase(this);
        --sessions_->taken(place_);
    }

    /// Waits for the next request.
    void receive() {
        parser_.emplace();
        parser_->header_limit(static_cast<std::uint32_t>(sessions_->limits.header_bytes));
        parser_->body_limit(sessions_->limits.body_bytes);
        extension_bytes_ = 0;
        parser_->on_chunk_header(count_extensions_);
        stream_.expires_after(sessions_->limits.receive);
        http::async_read_header(stream_, buffer_, *parser_,
                                beast::bind_front_handler(&Session::on_header, shared_from_this()));
    }

    // Answers that there are too many connections, without waiting for a request.
    void turn_away() {
        close_after_ = refused_ = true;
        send(problem(503, "There are too many connections at this moment. Try again in a few seconds."));
    }

    /// Answers the request now that everything accepted before it is booked.
    void answer_booked() {
        request_.sees_accepted = SeesAccepted::yes;
        send(handle());
    }

    /// Asks for news if this session waits for them.
    void look_for_news() {
        if (!sessions_->waiting.erase(this)) return;
        news_timer_->cancel();
        send_news();
    }

private:
    // What remains to be sent of an answer after the write in progress.
    enum class Rest : std::uint8_t { nothing, held_part, parts, end, news };

    // The header shows whether the request is allowed. If it is not, nothing more is read.
    void on_header(error_code error, std::size_t) {
        if (error) return on_unreadable(error);
        const auto& header = parser_->get().base();
        is_head_ = header.method() == http::verb::head;
        is_chunkable_ = header.version() >= 11;
        close_after_ = !parser_->keep_alive();
        if (auto refusal = refusal_of_header(header)) return refuse(*std::move(refusal));
        if (!become_known()) return turn_away();
        if (parser_->is_done()) return answer();
        http::async_read(stream_, buffer_, *parser_,
                         beast::bind_front_handler(&Session::on_body, shared_from_this()));
    }

    void on_body(error_code error, std::size_t) {
        if (error) return on_unreadable(error);
        request_.body = std::move(parser_->get().body());
        answer();
    }

    void on_unreadable(error_code error) {
        // The client has closed the connection, broken it, or taken too long. Nobody waits for an answer.
        const bool is_unreadable = error.category() == make_error_code(http::error::bad_method).category();
        if (!is_unreadable || error == http::error::end_of_stream || error == http::error::partial_message)
            return;
        close_after_ = refused_ = true;
        send(problem_of_unreadable(error, sessions_->limits));
    }

    /// Copies the needed fields now: trailers would later be added to the same fields, and must not count.
    std::optional<Response> refusal_of_header(const http::request_header<>& header) {
        if (auto refusal = refusal_of_framing(header)) {
            close_after_ = refused_ = true;
            return refusal;
        }
        const bool is_local = place_ == Sessions::Place::local;
        Caller caller = caller_of(header, is_local);
        // RFC 9112 section 3.2.2: the host of the target counts then, and the Host field does not.
        if (const auto authority = authority_of(header.target()); !authority.empty() && caller.hosts > 0)
            caller.host = authority;
        const TenantToken* tenant =
            is_local ? nullptr : tenant_shown(caller.authorization, sessions_->tenants);
        if (auto refusal = refusal_of(caller, tenant ? tenant->token : sessions_->token)) return refusal;
        auto request = read_target(header.target());
        if (!request) return problem(400, request.error().text);
        request_ = *std::move(request);
        request_.method = header.method_string();
        request_.content_type = header[http::field::content_type];
        request_.if_none_match = header[http::field::if_none_match];
        if (tenant) request_.tenant = tenant->tenant;
        return std::nullopt;
    }

    /// If the body was not read, what follows the header is not a request, so the connection ends.
    void refuse(Response refusal) {
        if (!parser_->is_done()) close_after_ = refused_ = true;
        send(std::move(refusal));
    }

    /// Counts the connection as authorised. False if there is no place left.
    bool become_known() {
        if (place_ != Sessions::Place::stranger) return true;
        if (!sessions_->has_room(Sessions::Place::known)) return false;
        --sessions_->taken(place_);
        place_ = Sessions::Place::known;
        ++sessions_->taken(place_);
        return true;
    }

    void answer() {
        // A request that changes something must not be handled twice.
        const bool is_question = request_.method == "GET" || request_.method == "HEAD";
        request_.sees_accepted =
            is_question && sessions_->when_booked ? SeesAccepted::ask_again : SeesAccepted::not_yet;
        Response response = handle();
        if (!response.is_to_wait) return send(std::move(response));
        const std::uint64_t number = sessions_->next_for_booking++;
        sessions_->for_booking.emplace(number, shared_from_this());
        // Keeps `sessions` alive: the booking thread may call this after the server has ended.
        sessions_->when_booked([sessions = sessions_, number] {
            sessions->post([sessions = sessions.get(), number] { sessions->booked_for(number); });
        });
    }

    Response handle() {
        try {
            return sessions_->handler(request_);
        } catch (const std::exception& failure) {
            sessions_->tell("The request " + request_.path + " failed: " + failure.what());
            return problem(500, "The request failed inside the daemon; its journal says more.");
        }
    }

    // Begins the answer. An answer of one part is sent with its length, a longer one in chunks.
    void send(Response response) {
        news_ = std::move(response.news);
        chunks_ = std::move(response.chunks);
        if (chunks_) {
            response.body.clear();
            const auto more = next_part(response.body);
            if (!more) {
                sessions_->tell("An answer failed: " + more.error().text);
                response = problem(500, more.error().text);
            }
            if (!more || !*more) chunks_ = nullptr;
        }
        http::response<http::empty_body> head{static_cast<http::status>(response.status),
                                              is_chunkable_ ? 11U : 10U};
        if (!response.content_type.empty()) head.set(http::field::content_type, response.content_type);
        head.set(http::field::cache_control, "no-store");
        head.set("X-Content-Type-Options", "nosniff");
        for (const auto& [name, value] : response.fields)
            head.set(name, value);
        if (!response.allow.empty()) head.set(http::field::allow, response.allow);
        if (!chunks_ && !news_) {
            // RFC 9110 section 8.6: a 304 gives no length other than that of the full answer.
            if (response.status != 304) head.content_length(response.body.size());
        } else if (is_chunkable_) {
            head.chunked(true);
        } else {
            close_after_ = true;
        }
        head.keep_alive(!close_after_);

        std::ostringstream text;
        text << head.base();
        part_ = text.str();
        rest_ = Rest::nothing;
        if (news_ && !is_head_) {
            rest_ = Rest::news;
            watch_for_leaving();
        } else if (chunks_ && !is_head_) {
            rest_ = Rest::held_part;
            answer_began_ = std::chrono::steady_clock::now();
            held_part_ = std::move(response.body);
        } else {
            chunks_ = nullptr;
            news_ = nullptr;
            if (!is_head_) part_ += response.body;
        }
        write(asio::buffer(part_));
    }

    Result<bool> next_part(std::string& part) const {
        try {
            while (true) {
                auto more = chunks_(part);
                // An empty chunk would end the answer.
                if (!more || !*more || !part.empty()) return more;
            }
        } catch (const std::exception& failure) {
            return fail(failure.what());
        }
    }

    void on_written(error_code error, std::size_t) {
        if (error) return leave();
        switch (rest_) {
            case Rest::held_part:
                part_ = std::exchange(held_part_, {});
                rest_ = Rest::parts;
                return write_chunk();
            case Rest::parts:
                return send_next_part();
            case Rest::end:
                return send_end();
            case Rest::news:
                return send_news();
            case Rest::nothing:
                return close_after_ ? close() : receive();
        }
    }

    void send_next_part() {
        part_.clear();
        if (std::chrono::steady_clock::now() - answer_began_ > sessions_->limits.answer) {
            sessions_->tell("The answer to " + request_.path +
                            " was cut, because its reader was too slow. Ask for a shorter range.");
            chunks_ = nullptr;
            return leave();
        }
        const auto more = next_part(part_);
        if (!more) {
            // The last chunk is missing, so the client knows that the answer is incomplete.
            sessions_->tell("An answer was cut: " + more.error().text);
            return;
        }
        if (!*more) rest_ = Rest::end;
        if (part_.empty()) return send_end();
        write_chunk();
    }

    void send_end() {
        rest_ = Rest::nothing;
        chunks_ = nullptr;
        if (!is_chunkable_) return close();
        write(http::make_chunk_last());
    }

    // Sends the news, or waits until there may be some.
    void send_news() {
        if (!news_) return;
        part_.clear();
        try {
            if (const auto told = news_(part_); !told) {
                sessions_->tell("A stream was cut: " + told.error().text);
                return leave();
            }
        } catch (const std::exception& failure) {
            sessions_->tell(std::string("A stream was cut: ") + failure.what());
            return leave();
        }
        if (!part_.empty()) return write_chunk();
        sessions_->waiting.insert(this);
        if (!news_timer_) news_timer_.emplace(stream_.get_executor());
        news_timer_->expires_after(sessions_->limits.look_for_news);
        news_timer_->async_wait([self = shared_from_this()](error_code stopped) {
            if (!stopped) self->look_for_news();
        });
    }

    // The client of a stream sends nothing more. So readable data means the end of the connection, or a
    // request sent ahead, which is never answered.
    void watch_for_leaving() {
        stream_.socket().async_wait(Protocol::socket::wait_read, [self =
                                                                      shared_from_this()](error_code error) {
            char byte = 0;
            error_code ended;
            if (!error) {
                self->stream_.socket().receive(asio::buffer(&byte, 1), Protocol::socket::message_peek, ended);
            }
            if (error || ended) self->leave();
        });
    }

    void leave() {
        news_ = nullptr;
        sessions_->waiting.erase(this);
        if (news_timer_) news_timer_->cancel();
        error_code ignored;
        stream_.socket().close(ignored);
    }

    void write_chunk() {
        if (is_chunkable_) return write(http::make_chunk(asio::buffer(part_)));
        write(asio::buffer(part_));
    }

    template <typename Buffers>
    void write(const Buffers& buffers) {
        stream_.expires_after(sessions_->limits.send);
        asio::async_write(stream_, buffers,
                          beast::bind_front_handler(&Session::on_written, shared_from_this()));
    }

    void close() {
        error_code ignored;
        stream_.socket().shutdown(Protocol::socket::shutdown_send, ignored);
        if (!refused_) return;
        // Closing with unread bytes would reset the connection, and the client would lose the answer.
        stream_.expires_after(farewell);
        discard();
    }

    void discard() {
        buffer_.clear();
        stream_.async_read_some(buffer_.prepare(std::min<std::size_t>(4096, buffer_.max_size())),
                                [self = shared_from_this()](error_code error, std::size_t bytes) {
                                    self->discarded_bytes_ += bytes;
                                    if (!error && self->discarded_bytes_ < farewell_bytes_max)
                                        self->discard();
                                });
    }

    beast::basic_stream<Protocol> stream_;
    std::shared_ptr<Sessions> sessions_;
    Sessions::Place place_;
    beast::flat_buffer buffer_;  ///< Bounded, because it holds chunk extensions and trailers whole.
    std::optional<http::request_parser<http::string_body>> parser_;
    std::size_t extension_bytes_ = 0;
    std::function<void(std::uint64_t, beast::string_view, error_code&)> count_extensions_ =
        [this](std::uint64_t, beast::string_view extensions, error_code& error) {
            extension_bytes_ += extensions.size();
            if (extension_bytes_ > sessions_->limits.header_bytes) error = http::error::header_limit;
        };
    Request request_;
    std::size_t discarded_bytes_ = 0;
    ChunkProducer chunks_;
    std::chrono::steady_clock::time_point answer_began_;
    NewsProducer news_;
    std::optional<asio::steady_timer> news_timer_;
    std::string part_;
    std::string held_part_;
    Rest rest_ = Rest::nothing;
    bool is_head_ = false;
    bool is_chunkable_ = true;
    bool close_after_ = false;
    bool refused_ = false;
};

void Sessions::look_for_news() {
    // Copied, because each session removes itself from the set and may insert itself again.
    const std::vector<Session*> present(waiting.begin(), waiting.end());
    for (Session* session : present)
        session->look_for_news();
}

void Sessions::booked_for(std::uint64_t number) {
    const auto found = for_booking.find(number);
    if (found == for_booking.end()) return;
    const std::shared_ptr<Session> session = std::move(found->second);
    for_booking.erase(found);
    session->answer_booked();
}

bool Sessions::has_room(Place place) {
    switch (place) {
        case Place::local:
        case Place::known:
            return taken(place) < limits.connections;
        case Place::stranger:
            return taken(place) < limits.strangers;
        case Place::turned_away:
            return taken(place) < limits.turned_away;
    }
    return false;
}

void welcome(Protocol::socket connection, const std::shared_ptr<Sessions>& sessions, bool is_local) {
    const auto place = is_local ? Sessions::Place::local : Sessions::Place::stranger;
    if (sessions->has_room(place)) {
        std::make_shared<Session>(std::move(connection), sessions, place)->receive();
    } else if (sessions->has_room(Sessions::Place::turned_away)) {
        std::make_shared<Session>(std::move(connection), sessions, Sessions::Place::turned_away)->turn_away();
    }
}

}  // namespace tickledger
